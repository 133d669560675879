"""95 % intervals over simulated campaigns, the quick form of `tests.thorough coverage`."""

import pytest

from tests.thorough.__main__ import main
from tests.thorough.coverage import coverage, table
from tests.thorough.records import PEAKY, WHITE
from tests.thorough.simulated import CampaignKind


@pytest.mark.parametrize(
    "kind", [CampaignKind("white", WHITE), CampaignKind("peaky, noise", PEAKY, noise=0.5)]
)
def test_intervals_cover_the_truth(kind: CampaignKind, capsys: pytest.CaptureFixture[str]) -> None:
    """90 to 99 % of 200 records for every quantity (a 95 % share scatters by 1.5 %)."""
    counts = coverage(kind, 200)
    with capsys.disabled():
        print(f"\n{table(kind, counts)}")
    outside = {name: c.percent for name, c in counts.items() if not 90 <= c.percent <= 99}
    assert not outside
    assert not sum(c.missing for c in counts.values())
    assert max(c.unreliable for c in counts.values()) <= 20


@pytest.mark.parametrize(
    "arguments", [[], ["nothing"], ["coverage", "many"], ["coverage", "1", "2"]]
)
def test_wrong_usage_of_the_long_checks_is_told(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and one line on stderr."""
    assert main(arguments) == 2
    assert capsys.readouterr().err.startswith("usage: python -m tests.thorough")
