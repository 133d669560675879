"""How soon commands begin, and what a cache of recordings spares; processes measured in turn."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.campaigns import DEMO, write_sheets
from tests.benchmarks.engine import CHANNELS, RATE_HZ, seconds
from tests.benchmarks.figure import Figure
from tests.benchmarks.library_files import write_text

ROUNDS = 5
RECORD_S = 60.0  # of text, all channels
SPECTRA = ("-m", "buffet", "spectra", "--what", "spectrum", "--resolution", "0.6 Hz")
READ = """import sys
from ingest import open_campaign
for run in open_campaign(sys.argv[1], cache=len(sys.argv) > 2).runs:
    for _ in run.open().blocks():
        pass
"""
RATE = ("-m", "buffet", "rate", "--speed", "130 km/h")
LEAST = 0.25  # of the record, below which it is too short for its resolution
OPEN = "import sys, buffet; buffet.open_campaign(sys.argv[1], cache=True)"


def start_up_figures(share: float = 1.0) -> list[Figure]:
    """`--help` beside click alone, a campaign opened, and text with a cache and without."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        shape = (int(RECORD_S * RATE_HZ * max(share, LEAST)), CHANNELS)
        write_sheets(folder, "1.csv", [f"p{i:02d}" for i in range(CHANNELS)], RATE_HZ)
        write_text(folder / "1.csv", np.random.default_rng(1).standard_normal(shape))
        rounds = ROUNDS if share >= 1 else 1
        return [*_figures(str(folder), rounds), *(_rated(f"{folder}/rated") if share >= 1 else ())]


def _rated(folder: str) -> list[Figure]:
    """The demo's rating, which takes a while: not for a quick look."""
    shutil.copytree(DEMO, folder)
    _run(*RATE, folder, "--cache")
    plain, cached = (seconds(lambda c=more: _run(*RATE, folder, *c)) for more in ((), ("--cache",)))
    return [
        Figure(
            "the demo rated, over the same from the cache", plain / cached, "x", beside=_s(cached)
        )
    ]


def _figures(folder: str, rounds: int) -> list[Figure]:
    _run("-c", READ, folder, "cache")
    commands = (
        ("-c", "import click"),
        ("-m", "buffet", "--help"),
        ("-c", OPEN, folder),
        ("-c", READ, folder),
        ("-c", READ, folder, "cache"),
        (*SPECTRA, folder),
        (*SPECTRA, folder, "--cache"),
    )
    taken = [[seconds(lambda c=c: _run(*c)) for c in commands] for _ in range(rounds)]
    click, shown, opened, read, kept, plain, cached = np.min(taken, axis=0).tolist()
    return [
        Figure("buffet --help over import click", shown / click, "x", 3.0, "at most", _s(shown)),
        Figure("a campaign opened, as `rate` does first", opened, "s"),
        Figure("text read, over the same from the cache", read / kept, "x", beside=_s(kept)),
        Figure("its spectra, over the same from the cache", plain / cached, "x", beside=_s(cached)),
    ]


def _s(taken_s: float) -> str:
    return f"{taken_s:.3f} s"


def _run(*arguments: str) -> None:
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
