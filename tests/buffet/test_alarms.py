"""False alarms at the 5 % level, the quick form of `tests.thorough alarms` and `peaks`."""

from __future__ import annotations

import pytest
from scipy import stats

from tests.thorough.alarms import ALARM_KINDS, LEVEL, alarms, alarms_line
from tests.thorough.false_peaks import SMOOTH, false_peaks
from tests.thorough.power import POWER_KINDS, power_line, promises
from tests.thorough.simulated import CampaignKind

PAIRS = 250
RECORDS = 150
# Of the gates; with two dozen of them a right program fails one in a hundred changes of seed.
CHANCE = 5e-4
QUICK = ("white, wind-off noise", "peaky, 3 repeats, 2 %")  # the others by `tests.thorough alarms`


def gate(n: int) -> tuple[float, float]:
    """Per cent of `n` between which a 5 % share stays by chance, but for CHANCE on either side."""
    low, high = (float(stats.binom.ppf(share, n, LEVEL)) for share in (CHANCE, 1 - CHANCE))
    return 100 * low / n, 100 * high / n


@pytest.mark.parametrize(
    "kind", [kind for kind in ALARM_KINDS if kind.name in QUICK], ids=lambda kind: kind.name
)
def test_pairs_without_a_difference_are_seldom_called_different(
    kind: CampaignKind, capsys: pytest.CaptureFixture[str]
) -> None:
    """p < 0.05 in about 5 % of pairs, of RMS ratios and of differences of means."""
    found = alarms(kind, PAIRS)
    with capsys.disabled():
        print(f"\n{alarms_line(kind, found)}")
    low, high = gate(PAIRS)

    for which in ("rms_ratio", "mean_difference"):
        assert len(getattr(found, which)) == PAIRS
        assert low <= found.percent(which) <= high, which


@pytest.mark.parametrize("name", list(SMOOTH)[:2])  # the rest by `tests.thorough peaks`
def test_smooth_noise_has_few_peaks(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A peak is reported in about 5 % of records of white and wake noise."""
    with_peak, total = false_peaks(name, RECORDS)
    share = 100 * with_peak / total
    with capsys.disabled():
        print(f"\n{name}: {share:.1f} % of {total} records without a peak show one")
    low, high = gate(RECORDS)

    assert low <= share <= high


def test_differences_are_shown_as_promised(capsys: pytest.CaptureFixture[str]) -> None:
    """In four of five campaigns, of the change and of the number of runs that each one names."""
    kind = POWER_KINDS[1]
    found = promises(kind, 100, seed=1)
    with capsys.disabled():
        print(f"\n{power_line(kind, found)}")

    for shown in (found.shown, found.shown_by_runs):
        assert 0.70 <= sum(shown) / len(shown) <= 0.97
