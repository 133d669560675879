"""`python -m tests.benchmarks [share]`: figures beside their goals; share 0.05 is a quick look.

`--of engine` measures one kind alone, may be repeated; `--json FILE` writes them for scripts.
`--of growth` draws how commands grow with record length, channels and runs, and is not among
the others.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from tests.benchmarks.engine import engine_figures
from tests.benchmarks.figure import Figure, line
from tests.benchmarks.growth import growth_figures
from tests.benchmarks.many_runs import many_runs_figures
from tests.benchmarks.memory import memory_figures
from tests.benchmarks.rating import rating_figures
from tests.benchmarks.reading import reading_figures
from tests.benchmarks.spectra import spectra_figures
from tests.benchmarks.start_up import start_up_figures

KINDS: dict[str, Callable[[float], Iterable[Figure]]] = {
    "engine": engine_figures,
    "reading": reading_figures,
    "spectra": spectra_figures,
    "rating": rating_figures,
    "memory": memory_figures,
    "start-up": start_up_figures,
    "many runs": many_runs_figures,
}
APART = {"growth": growth_figures}


def main(arguments: list[str]) -> int:
    """Print all figures, each as it is known."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("share", type=float, nargs="?", default=1.0, help="of the full work")
    parser.add_argument("--of", action="append", choices=[*KINDS, *APART], help="these alone")
    parser.add_argument("--json", type=Path, help="a file to write them to")
    asked = parser.parse_args(arguments)
    figures = []
    for kind in asked.of or KINDS:
        for figure in (KINDS | APART)[kind](asked.share):
            print(line(figure), flush=True)
            figures.append(figure)
    if asked.json is not None:
        document = {"share": asked.share, "figures": [one.document() for one in figures]}
        asked.json.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
