"""`python -m tests.thorough coverage [records]`: prints one line a kind and quantity."""

from __future__ import annotations

import sys

from tests.thorough.coverage import coverage, table
from tests.thorough.records import KINDS

USAGE = "usage: python -m tests.thorough coverage [number of records a kind, 2000 unless given]"


def main(arguments: list[str]) -> int:
    """Run the named check; 2 for wrong usage."""
    match arguments:
        case ["coverage"]:
            n_records = 2000
        case ["coverage", number] if number.isdigit():
            n_records = int(number)
        case _:
            print(USAGE, file=sys.stderr)
            return 2
    for kind in KINDS:
        print(table(kind, coverage(kind, n_records)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
