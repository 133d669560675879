"""Which peaks will be asked for of every run, so that whoever reads it fits them at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import find_peaks
from ingest import Quantity, Run

# Components that tell vertical from lateral shedding; the others only repeat them.
SHOWS_IN = ("drag", "lift", "side force", "yaw moment")


def shows_shedding(quantity: Quantity) -> bool:
    """Whether a wake's own peak is looked for in it."""
    return quantity.measures in SHOWS_IN


def is_logged(run: Run, quantity: Quantity) -> bool:
    """Whether a quantity is one of the run's channels; those derived from them add nothing."""
    return quantity.name in {channel.name for channel in run.channels}


@dataclass(frozen=True)
class PeakSearch:
    """Finds the peaks of a run and keeps them in it (`RunAnalysis.fits`).

    What it does not find is found when it is asked for: this only says where that is done.
    """

    looked_at: Callable[[Run, Quantity], bool]
    seen: Callable[[RunAnalysis], tuple[RunAnalysis, ...]]  # without its lines, say
    wind_off: bool  # in runs without wind as well

    def __call__(self, analysis: RunAnalysis) -> None:
        if self.wind_off or analysis.run.kind == "wind-on":
            for one in self.seen(analysis):
                find_peaks(one, partial(self.looked_at, analysis.run))


def checked_peaks() -> PeakSearch:
    """What `check` asks for."""
    return PeakSearch(is_logged, _as_read, wind_off=True)


def shedding_peaks(
    *, without_tunnel: bool = False, without_lines: bool = False, wind_off: bool = False
) -> PeakSearch:
    """What a rating asks for: with the tunnel's part, and without it where it is taken out."""
    return PeakSearch(_shows_shedding, partial(_rated, without_tunnel, without_lines), wind_off)


def all_peaks(*, without_tunnel: bool = False, without_lines: bool = False) -> PeakSearch:
    """What `spectra` and `sweep` ask for."""
    return PeakSearch(_every, partial(_shown, without_tunnel, without_lines), wind_off=True)


def _shows_shedding(run: Run, quantity: Quantity) -> bool:
    return shows_shedding(quantity)


def _every(run: Run, quantity: Quantity) -> bool:
    return True


def _as_read(run: RunAnalysis) -> tuple[RunAnalysis, ...]:
    return (run,)


def _rated(without_tunnel: bool, without_lines: bool, run: RunAnalysis) -> tuple[RunAnalysis, ...]:
    prepared = run.without_lines if without_lines else run
    rest = prepared.without_tunnel if without_tunnel else None
    return (prepared,) if rest is None else (prepared, rest)


def _shown(without_tunnel: bool, without_lines: bool, run: RunAnalysis) -> tuple[RunAnalysis, ...]:
    rest = run.without_tunnel if without_tunnel else None
    shown = run if rest is None else rest
    return (shown.without_lines if without_lines else shown,)
