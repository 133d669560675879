"""What is said of the extremes of one run's quantities."""

from __future__ import annotations

from dataclasses import dataclass

from buffet.extremes.gumbel import Tail
from buffet.interval import Interval
from buffet.parts import Load
from ingest import Quantity

# Share of an RMS from which noise of the sensors moves extremes: 0.3 adds 4 % to it.
NOISY = 0.3
# Driving times over the record from which the figures are marked: intervals were simulated to hold
# up to ten records' length (`python -m tests.thorough extremes`).
FAR = 10.0
# Of a lag-one correlation of n independent values, whose standard deviation is 1/√n; two tails of
# many quantities are looked at. The fit's p-value likewise.
SERIAL_SIGMAS, POOR_FIT = 3.0, 0.01


@dataclass(frozen=True)
class PeakFactor:
    """How far from the mean the largest value lies, over the RMS, in the driving time."""

    periods: float  # νT, rises through the mean
    bandwidth: float  # δ, 0 for a line
    davenport: float
    davenport_scatter: float
    grouped: float  # where crests come in groups
    davenport_why: str | None  # why it does not hold; None where nothing speaks against it


@dataclass(frozen=True)
class WorstValue:
    """One tail in the driving time, in the quantity's own unit."""

    tail: Tail
    mode: float  # u_T
    expected: Interval  # 57 % fractile, the mean of a Gumbel distribution
    high: Interval  # 78 % fractile


@dataclass(frozen=True)
class QuantityExtremes:
    """One quantity's tails, or why it has none."""

    quantity: Quantity
    to_hz: float | None
    largest: WorstValue | None
    smallest: WorstValue | None
    why: str | None  # there are none
    skewness: float | None
    excess_kurtosis: float | None
    peak_factor: PeakFactor | None
    noise_share: float | None  # of the RMS as read, in no way taken out
    full_scale: float | None  # times a coefficient gives `full_scale_unit` on the road
    full_scale_unit: str | None

    @property
    def tails(self) -> tuple[Tail, ...]:
        """Both, or none."""
        return tuple(worst.tail for worst in (self.largest, self.smallest) if worst)

    @property
    def own_peak_factors(self) -> tuple[float, ...]:
        """Distances of the 57 % fractiles from the mean over the RMS, largest first; or none."""
        return tuple(
            abs(worst.expected.value - worst.tail.mean) / worst.tail.rms
            for worst in (self.largest, self.smallest)
            if worst
        )

    @property
    def serially_correlated(self) -> bool:
        """Whether neighbouring blocks' extremes are more alike than independent ones'."""
        sigmas = [tail.serial_correlation * len(tail.extremes) ** 0.5 for tail in self.tails]
        return max(sigmas, default=0.0) > SERIAL_SIGMAS

    @property
    def poor_fit(self) -> bool:
        """Whether a tail's extremes lie off a straight line on Gumbel paper."""
        return any(tail.fit_p < POOR_FIT for tail in self.tails)

    @property
    def is_untold(self) -> bool:
        """Whether the record does not tell how a tail goes on."""
        return any(tail.is_untold for tail in self.tails)


@dataclass(frozen=True)
class LoadChance:
    """How likely a load is exceeded in the driving time."""

    load: Load
    is_above: bool  # else: the quantity falls below it
    chance: Interval | None
    why: str | None  # there is none


@dataclass(frozen=True)
class Extremes:
    """Of one run."""

    driving_time_s: float
    road_speed_m_s: float | None
    model_time_s: float  # as much happens in it as in the driving time on the road
    record_s: float
    quantities: tuple[QuantityExtremes, ...]
    loads: tuple[LoadChance, ...]
    holds_more: tuple[str, ...]  # what is in the samples, though taken out of the spectra

    @property
    def times_record(self) -> float:
        """The time over the record's length."""
        return self.model_time_s / self.record_s

    @property
    def is_far(self) -> bool:
        """Whether the time is so long against the record that intervals may be too narrow."""
        return self.times_record > FAR
