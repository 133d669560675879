"""The runs of a campaign as sweeps of wind speed, one a configuration and yaw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import degrees

from buffet.analysis import CampaignAnalysis, Progress
from buffet.following import follow
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult, run_result
from buffet.sweep.tracks import Seen, Track, tracks
from buffet.sweep.trend import Trend, trends
from ingest import Quantity


@dataclass(frozen=True)
class ConfigurationSweep:
    """One configuration at one yaw over its wind speeds."""

    configuration: str
    yaw_rad: float
    runs: tuple[RunAnalysis, ...]  # by speed
    tracks: tuple[Track, ...]
    undecided: tuple[Seen, ...]
    trends: tuple[Trend, ...]

    @property
    def yaw_deg(self) -> float:
        """To a tenth."""
        return round(degrees(self.yaw_rad), 1)

    @property
    def speeds_m_s(self) -> tuple[float, ...]:
        """Of the runs, each once, to the nearest metre a second."""
        return tuple(sorted({round(run.flow.speed_m_s) for run in self.runs if run.flow}))

    @property
    def reynolds(self) -> tuple[float, float] | None:
        """Lowest and highest; None without a model."""
        known = [run.flow.reynolds for run in self.runs if run.flow and run.flow.reynolds]
        return (min(known), max(known)) if known else None


@dataclass(frozen=True)
class Sweep:
    """All configurations of a campaign over their wind speeds, in the campaign's order."""

    analysis: CampaignAnalysis
    configurations: tuple[ConfigurationSweep, ...]
    left_out: tuple[str, ...]  # configurations without a run of known wind speed


def sweep(analysis: CampaignAnalysis, progress: Progress = lambda text: None) -> Sweep:
    """Peaks followed over the wind speeds, and the trend of every RMS coefficient."""
    read = []
    for run in (*analysis.wind_off, *analysis.runs):
        progress(f"run {run.run.number}: peaks")
        read.append(run_result(run))
    return sweep_of(analysis, read)


def sweep_of(
    analysis: CampaignAnalysis,
    read: Sequence[RunResult],
    looked_at: Callable[[Quantity], bool] = lambda quantity: True,
) -> Sweep:
    """The same from results of the runs, those without wind among them.

    `looked_at` says in which quantities peaks were looked for; trends are told of these alone.
    """
    results = [one for one in follow(read) if _has_wind(one)]
    groups: dict[tuple[str, float], list[RunResult]] = {}
    for one in sorted(results, key=_speed):
        sheet = one.analysis.run
        key = (sheet.configuration or "", round(degrees(sheet.yaw_rad), 1))
        groups.setdefault(key, []).append(one)
    order = list(dict.fromkeys(run.run.configuration or "" for run in analysis.runs))
    keys = sorted(groups, key=lambda key: (order.index(key[0]), key[1]))
    found = trends(analysis, [groups[key] for key in keys], looked_at)
    configurations = tuple(
        ConfigurationSweep(
            key[0],
            groups[key][0].analysis.run.yaw_rad,
            tuple(one.analysis for one in groups[key]),
            *tracks(groups[key]),
            own,
        )
        for key, own in zip(keys, found, strict=True)
    )
    swept = {key[0] for key in keys}
    return Sweep(analysis, configurations, tuple(name for name in order if name not in swept))


def _has_wind(result: RunResult) -> bool:
    return result.analysis.flow is not None


def _speed(result: RunResult) -> float:
    assert result.analysis.flow is not None
    return result.analysis.flow.speed_m_s


def one_speed_alone(sweeps: Sequence[ConfigurationSweep]) -> bool:
    """Whether nothing was swept: every configuration was run at one wind speed."""
    return all(len(one.speeds_m_s) < 2 for one in sweeps)
