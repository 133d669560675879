"""`python -m tests.benchmarks [share]`: one line a figure; share 0.05 is a quick look."""

from __future__ import annotations

import sys

from tests.benchmarks.engine import engine_figures
from tests.benchmarks.many_runs import many_runs_figures
from tests.benchmarks.reading import reading_figures
from tests.benchmarks.spectra import spectra_figures


def main(arguments: list[str]) -> int:
    """Print all figures."""
    share = float(arguments[0]) if arguments else 1.0
    for figures in (engine_figures, reading_figures, spectra_figures, many_runs_figures):
        for figure in figures(share):
            print(figure)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
