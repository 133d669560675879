"""Lines at the rates of what turns in the tunnel, fan, belt and wheels, and of the mains."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from buffet.interval import Interval
from ingest import Rotation

SourceKind = Literal["fan", "belt", "wheel", "mains"]

MAINS_HZ = (50.0, 60.0)
# Grids keep within 0.2 Hz of 50 Hz in ordinary operation, and within less of 60 (from memory).
MAINS_TOLERANCE = 0.004
HIGHEST_MAINS_ORDER = 10


@dataclass(frozen=True)
class LineSource:
    """What a line's frequency is a whole multiple of."""

    kind: SourceKind
    name: str
    base_hz: float
    order: int

    def __str__(self) -> str:
        """As "fan blades passing (2 x 147 Hz)"."""
        times = f"{self.order} x " if self.order > 1 else ""
        return f"{self.name} ({times}{self.base_hz:.4g} Hz)"


@dataclass(frozen=True)
class _Rate:
    """A rate at which something turns, its multiples, and how well it is known."""

    kind: SourceKind
    name: str
    base_hz: Callable[[Rotation, float | None], float | None]
    highest_order: int  # engineering judgement: higher ones are weak, and soon one is everywhere
    tolerance: float  # relative


# A fan's speed is read to a revolution or two and wanders within a run; a belt slips, and tyres
# roll on less than their diameter (engineering judgement).
_RATES = (
    _Rate("fan", "fan blades passing", lambda r, wind: r.blade_passing_hz(), 4, 0.005),
    _Rate("fan", "fan shaft", lambda r, wind: r.fan_hz, 3, 0.005),
    _Rate("wheel", "wheels turning", Rotation.wheel_hz, 4, 0.01),
    _Rate("belt", "belt passing", Rotation.belt_passing_hz, 6, 0.01),
)


def rotation_source(
    frequency_hz: Interval, rotation: Rotation, wind_m_s: float | None
) -> LineSource | None:
    """What turns, as stated, at this frequency or a fraction of it; the nearest, or None."""
    return _nearest(frequency_hz, _rotating(rotation, wind_m_s))


def mains_source(frequency_hz: Interval) -> LineSource | None:
    """The mains of 50 or 60 Hz, or a multiple, at this frequency; or None."""
    return _nearest(frequency_hz, _mains())


def _rotating(rotation: Rotation, wind_m_s: float | None) -> Iterator[tuple[LineSource, float]]:
    for rate in _RATES:
        base_hz = rate.base_hz(rotation, wind_m_s)
        if not base_hz:
            continue
        for order in range(1, rate.highest_order + 1):
            yield LineSource(rate.kind, rate.name, base_hz, order), rate.tolerance


def _mains() -> Iterator[tuple[LineSource, float]]:
    for base_hz in MAINS_HZ:
        for order in range(1, HIGHEST_MAINS_ORDER + 1):
            yield LineSource("mains", "mains", base_hz, order), MAINS_TOLERANCE


def _nearest(
    frequency_hz: Interval, known: Iterator[tuple[LineSource, float]]
) -> LineSource | None:
    """Within the rate's tolerance or the line's own interval."""
    near = []
    for source, tolerance in known:
        wanted = source.base_hz * source.order
        low = min(frequency_hz.low or frequency_hz.value, frequency_hz.value * (1 - tolerance))
        high = max(frequency_hz.high or frequency_hz.value, frequency_hz.value * (1 + tolerance))
        if low <= wanted <= high:
            near.append((abs(wanted - frequency_hz.value), source.order, source))
    return min(near, key=lambda one: one[:2])[2] if near else None
