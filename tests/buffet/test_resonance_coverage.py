"""95 % intervals of tap tests and wind-off records: the quick form of the long check."""

import pytest

from tests.thorough.resonance import RecordKind, TapKind, resonance_coverage, resonance_line


@pytest.mark.parametrize(
    "kind",
    [
        TapKind("one tap", 0.05, strikes=1),
        RecordKind("20 s", 0.02, 20.0),
    ],
    ids=lambda kind: kind.name,
)
def test_intervals_cover_the_planted_values(
    kind: TapKind | RecordKind, capsys: pytest.CaptureFixture[str]
) -> None:
    """90 to 99 % of 200 tests (a 95 % share scatters by 1.5 %)."""
    found = resonance_coverage(kind, 200)
    with capsys.disabled():
        print(f"\n{resonance_line(kind, [found])}")
    assert 90 <= found.frequency.percent <= 99
    assert 90 <= found.damping.percent <= 99
    assert found.frequency.missing == 0


def test_strikes_that_do_not_scatter_are_covered_more_often() -> None:
    """The interval is never narrower than the fits' own errors allow, nor than Student's t."""
    found = resonance_coverage(TapKind("taps", 0.05, 3), 60)

    assert found.frequency.percent >= 90
    assert found.damping.percent >= 90
