"""Two hundred runs of a minute read, reduced and their peaks fitted: by one worker and by two."""

from __future__ import annotations

import re
import shutil
import tempfile
from pathlib import Path

from buffet.analysis import analyse
from buffet.one_pass import AnalysisSettings
from buffet.peak_search import shedding_peaks
from buffet.rating.rate import FOR_RATING
from buffet.workers.choice import HERE, Workers
from ingest import Campaign, open_campaign
from tests.benchmarks.campaigns import DEMO
from tests.benchmarks.engine import seconds
from tests.benchmarks.figure import Figure

BLOCK = 8  # runs, the first and the last without wind
BLOCKS = 25
NAMES = re.compile(r'^((?:number|zero_before|zero_after) = )"(\d+)"', re.MULTILINE)
GOAL = 1.8  # times the speed of one worker
ROUNDS = 2


def many_runs_figures(share: float = 1.0) -> list[Figure]:
    """What a rating asks of a campaign's runs, alternating; `share` is that of their number."""
    blocks, rounds = max(1, round(BLOCKS * share)), ROUNDS if share >= 1 else 1
    with tempfile.TemporaryDirectory() as folder:
        campaign = _campaign(Path(folder) / "campaign", blocks)
        taken = [[_seconds(campaign, who) for who in (HERE, Workers(2))] for _ in range(rounds)]
    one_s, two_s = (min(times) for times in zip(*taken, strict=True))
    what = f"{blocks * BLOCK} runs like the demo's on two workers"
    told = f"{two_s:.2f} s against {one_s:.2f} s on one"
    return [Figure(what, one_s / two_s, "x", GOAL, "at least", told)]


def _seconds(campaign: Campaign, workers: Workers) -> float:
    settings = AnalysisSettings(workers=1, keeps=FOR_RATING)  # threads, of the engine
    peaks = shedding_peaks()
    return seconds(lambda: analyse(campaign, settings=settings, workers=workers, prepare=peaks))


def _campaign(folder: Path, n_blocks: int) -> Campaign:
    """The demo's blocks of runs between two without wind, in turn and again."""
    shutil.copytree(DEMO, folder)
    sheets = sorted((folder / "runs").glob("*.toml"))
    words = [sheet.read_text(encoding="utf-8") for sheet in sheets]
    for sheet in sheets:
        sheet.unlink()
    for i in range(n_blocks * BLOCK):
        turn, index = divmod(i, len(words))
        named = NAMES.sub(rf'\g<1>"\g<2>.{turn}"', words[index])
        (folder / "runs" / f"{i:03}.toml").write_text(named, encoding="utf-8")
    return open_campaign(folder)
