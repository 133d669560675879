"""Peaks of one configuration gathered over wind speeds and quantities."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import hypot, log

import numpy as np

from buffet.interval import Interval
from buffet.peak_classes import PeakClass
from buffet.rotation import LineSource
from buffet.run_spectra import RunResult
from buffet.spectral.peaks import Peak
from buffet.spectral.tracks import FIXED, GATE, SCALES, SCATTER, ClassName
from buffet.spectral.uncertainty import log_error, pooled


@dataclass(frozen=True)
class Seen:
    """A peak of one quantity in one run."""

    run: str
    speed_m_s: float
    quantity: str
    peak: Peak
    kind: PeakClass
    strouhal_per_hz: float | None

    def stands_with(self, other: Seen) -> bool:
        """Whether both are of one quantity in one run: two peaks then, not one."""
        return (self.run, self.quantity) == (other.run, other.quantity)

    @property
    def strouhal(self) -> Interval | None:
        """None without a model."""
        scale = self.strouhal_per_hz
        return None if scale is None else self.peak.frequency_hz.scaled(scale)


@dataclass(frozen=True)
class Track:
    """One peak over the wind speeds: flow where its St stays, rig where its frequency does."""

    name: ClassName
    narrow: bool
    source: str | None  # what turns at its rate, or the mains
    seen: tuple[Seen, ...]  # every quantity in every run
    clearest: tuple[Seen, ...]  # of the quantity that shows it in most runs, by speed

    @property
    def quantities(self) -> tuple[str, ...]:
        """Which show it."""
        return tuple(dict.fromkeys(one.quantity for one in self.seen))

    @property
    def frequency_hz(self) -> Interval:
        """If its frequency is one: widened where it scatters more than the fits' errors."""
        return pooled([one.peak.frequency_hz for one in self.clearest])

    @property
    def strouhal(self) -> Interval | None:
        """If its Strouhal number is one, likewise; None without a model."""
        numbers = [one.strouhal for one in self.clearest]
        known = [number for number in numbers if number is not None]
        return pooled(known) if known else None

    @property
    def spreads(self) -> tuple[float | None, float | None]:
        """Relative standard deviation of frequency and of Strouhal number over several runs."""
        hz = [log(one.peak.frequency_hz.value) for one in self.clearest]
        numbers = [log(one.strouhal.value) for one in self.clearest if one.strouhal is not None]
        return _deviation(hz), _deviation(numbers)


def _deviation(logs: Sequence[float]) -> float | None:
    return float(np.std(logs, ddof=1)) if len(logs) > 1 else None


def tracks(results: Sequence[RunResult]) -> tuple[tuple[Track, ...], tuple[Seen, ...]]:
    """Tracks of the runs of one configuration, strongest first, and peaks of undecided class."""
    seen = [
        Seen(
            result.analysis.run.number,
            result.analysis.flow.speed_m_s,
            quantity.quantity.name,
            peak,
            kind,
            result.strouhal_per_hz,
        )
        for result in results
        if result.analysis.flow is not None
        for quantity in result.quantities
        for peak, kind in quantity.followed
    ]
    found = [
        _track(name, group)
        for name, place in _PLACES.items()
        for narrow in (False, True)
        for group in _gathered(
            [one for one in seen if one.kind.name == name and one.kind.narrow == narrow], place
        )
    ]
    found.sort(key=lambda track: -len(track.seen))
    undecided = tuple(one for one in seen if one.kind.name not in _PLACES)
    return tuple(found), undecided


def _per_speed(seen: Seen) -> float:
    return log(seen.peak.frequency_hz.value / seen.speed_m_s)


# What stays along a track of a class, as a logarithm: f / U, which is St but for the length, or f.
_PLACES: dict[ClassName, Callable[[Seen], float]] = {
    SCALES: _per_speed,
    FIXED: lambda seen: log(seen.peak.frequency_hz.value),
}


def _gathered(seen: Sequence[Seen], place: Callable[[Seen], float]) -> list[list[Seen]]:
    """Peaks that lie no further apart than their errors and the usual scatter let expect.

    The sharpest come first and set the places; one quantity has a peak once in a run.
    """
    groups: list[list[Seen]] = []
    for one in sorted(seen, key=_log_error):
        free = [group for group in groups if not any(map(one.stands_with, group))]
        nearest = min(free, key=lambda group: abs(place(one) - place(group[0])), default=None)
        reach = GATE * hypot(_log_error(one), SCATTER)
        if nearest is not None and abs(place(one) - place(nearest[0])) < reach:
            nearest.append(one)
        else:
            groups.append([one])
    return groups


def _log_error(seen: Seen) -> float:
    return log_error(seen.peak.frequency_hz)


def _track(name: ClassName, seen: Sequence[Seen]) -> Track:
    runs = {q: len({one.run for one in seen if one.quantity == q}) for q in _names(seen)}
    most = max(runs.values())
    best = max(
        (quantity for quantity, n in runs.items() if n == most),
        key=lambda quantity: -_mean_error(seen, quantity),
    )
    sources = [_source(one.kind.source, name) for one in seen if one.kind.source is not None]
    own = sorted((one for one in seen if one.quantity == best), key=lambda one: one.speed_m_s)
    ordered = tuple(sorted(seen, key=lambda one: one.speed_m_s))
    source = max(set(sources), key=sources.count) if sources else None
    return Track(name, seen[0].kind.narrow, source, ordered, tuple(own))


def _source(source: LineSource, name: ClassName) -> str:
    """Without the rate where that goes with the speed."""
    if name == FIXED:
        return str(source)
    return f"{source.order} x {source.name}" if source.order > 1 else source.name


def _names(seen: Sequence[Seen]) -> list[str]:
    return list(dict.fromkeys(one.quantity for one in seen))


def _mean_error(seen: Sequence[Seen], quantity: str) -> float:
    errors = [_log_error(one) for one in seen if one.quantity == quantity]
    return sum(errors) / len(errors)
