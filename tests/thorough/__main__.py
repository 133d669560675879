"""`python -m tests.thorough CHECK [number]`: prints the figures of one long check."""

from __future__ import annotations

import sys
from collections.abc import Callable

from tests.thorough.alarms import print_alarms
from tests.thorough.api import print_api
from tests.thorough.bursts import print_bursts
from tests.thorough.coherence import print_coherence
from tests.thorough.convection import print_convection
from tests.thorough.coverage import print_coverage
from tests.thorough.disk import print_disk
from tests.thorough.extremes import print_extremes
from tests.thorough.false_lines import print_false_lines
from tests.thorough.false_peaks import print_false_peaks
from tests.thorough.fuzz import print_fuzz
from tests.thorough.kills import print_kills
from tests.thorough.load import print_load
from tests.thorough.pages import print_pages
from tests.thorough.planned import print_planned
from tests.thorough.power import print_power
from tests.thorough.ranked import print_ranked
from tests.thorough.reliability import print_reliability
from tests.thorough.resonance import print_resonance
from tests.thorough.sweep_trends import print_sweep_trends
from tests.thorough.switching import print_switching

# What a check simulates, and how many of them unless told.
CHECKS: dict[str, tuple[Callable[[int], None], str, int]] = {
    "coverage": (print_coverage, "campaigns a kind", 2000),
    "reliability": (print_reliability, "cases", 10_000),
    "alarms": (print_alarms, "pairs a kind", 4000),
    "power": (print_power, "campaigns a kind", 2000),
    "ranking": (print_ranked, "campaigns", 4000),
    "coherence": (print_coherence, "pairs of records a kind", 2000),
    "resonance": (print_resonance, "tap tests and records a kind", 2000),
    "extremes": (print_extremes, "records a process", 2000),
    "peaks": (print_false_peaks, "records a kind", 4000),
    "lines": (print_false_lines, "records a kind", 1000),
    "bursts": (print_bursts, "records a kind", 1000),
    "convection": (print_convection, "records a kind", 2000),
    "switching": (print_switching, "records a kind", 500),
    "sweep": (print_sweep_trends, "campaigns a kind", 1000),
    "plan": (print_planned, "sets of repeats a kind", 2000),
    "pages": (print_pages, "widths of the service's pages", 6),
    "fuzz": (print_fuzz, "damaged recordings", 20_000),
    "api": (print_api, "requests", 5000),
    "kills": (print_kills, "kills", 50),
    "disk": (print_disk, "disks filled", 5),
    "load": (print_load, "seconds", 60),
}
USAGE = "usage: python -m tests.thorough CHECK [number], CHECK one of\n" + "\n".join(
    f"  {name}: number of {what}, {usual} unless given" for name, (_, what, usual) in CHECKS.items()
)


def main(arguments: list[str]) -> int:
    """Run the named check; 2 for wrong usage."""
    name, *more = arguments or [""]
    if name not in CHECKS or len(more) > 1 or not all(number.isdigit() for number in more):
        print(USAGE, file=sys.stderr)
        return 2
    run, _, usual = CHECKS[name]
    run(int(more[0]) if more else usual)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
