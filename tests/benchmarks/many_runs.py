"""Two hundred short runs read, reduced and their peaks fitted: by one worker and by two."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from buffet.analysis import analyse
from buffet.one_pass import AnalysisSettings
from buffet.peak_search import shedding_peaks
from buffet.rating.rate import FOR_RATING
from buffet.workers.choice import HERE, Workers
from ingest import Campaign, open_campaign
from tests.benchmarks.engine import seconds
from tests.buffet.campaigns import lift_run, wind_off, write_runs

RUNS = 200
RUNS_A_ZERO = 20  # that share a wind-off run
DURATION_S = 30.0
GOAL = 1.8  # times the speed of one worker
ROUNDS = 2


@dataclass(frozen=True)
class Speedup:
    """One line of the table."""

    what: str
    goal: float
    one_s: float
    two_s: float

    def __str__(self) -> str:
        found = self.one_s / self.two_s
        return (
            f"{self.what:58} goal {self.goal:5.1f} x, found {found:5.2f} x "
            f"({self.two_s:.2f} s against {self.one_s:.2f} s)"
        )


def many_runs_figures(share: float = 1.0) -> list[Speedup]:
    """What a rating asks of a campaign's runs, alternating; `share` is that of their number."""
    n = max(4, round(RUNS * share))
    with tempfile.TemporaryDirectory() as folder:
        campaign = _campaign(Path(folder) / "campaign", n)
        taken = [[_seconds(campaign, who) for who in (HERE, Workers(2))] for _ in range(ROUNDS)]
    one_s, two_s = (min(times) for times in zip(*taken, strict=True))
    return [Speedup(f"{n} runs of {DURATION_S:.0f} s on two workers", GOAL, one_s, two_s)]


def _seconds(campaign: Campaign, workers: Workers) -> float:
    settings = AnalysisSettings(keeps=FOR_RATING)
    peaks = shedding_peaks()
    return seconds(lambda: analyse(campaign, settings=settings, workers=workers, prepare=peaks))


def _campaign(folder: Path, n: int) -> Campaign:
    """Four configurations in turn, each block of runs with a wind-off run of its own."""
    zeros = -(-n // (RUNS_A_ZERO + 1))
    off = [wind_off(str(1000 + i)) for i in range(zeros)]
    on = [
        replace(
            lift_run(str(i), 0.01 * (1 + i % 4), f"tail {i % 4}", DURATION_S),
            zero=off[min(i // RUNS_A_ZERO, zeros - 1)].number,
        )
        for i in range(n - zeros)
    ]
    sheet = {"title": "many runs"}
    model = {"scale": 0.3, "frontal_area": "0.194 m^2", "wheelbase": "0.775 m"}
    tables = {"format": 1, "campaign": sheet, "model": model | {"strouhal_length": "0.435 m"}}
    return open_campaign(write_runs(folder, [*off, *on], tables))
