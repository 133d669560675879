"""95 % intervals over simulated records: the quick form of `python -m tests.thorough coverage`."""

import pytest

from tests.thorough.coverage import coverage, table
from tests.thorough.records import PEAKY, WHITE, Kind


@pytest.mark.parametrize("kind", [WHITE, PEAKY], ids=lambda kind: kind.name)
def test_intervals_cover_the_truth(kind: Kind, capsys: pytest.CaptureFixture[str]) -> None:
    """90 to 99 % of 200 records for every quantity (a 95 % share scatters by 1.5 %)."""
    counts = coverage(kind, 200)
    with capsys.disabled():
        print(f"\n{table(kind, counts)}")
    outside = {name: c.percent for name, c in counts.items() if not 90 <= c.percent <= 99}
    assert not outside
    assert not sum(c.missing for c in counts.values())
