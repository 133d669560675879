"""A criterion's metric over road speeds, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.rating.criteria import Criterion
from buffet.spectral.uncertainty import LogEstimate, Unseen

Array = NDArray[np.float64]

RECORDS = "record length"
TOO_FEW = "too few independent stretches of record stand behind it"
NOT_IN_BAND = "the usable road band does not cover it"
NOT_IN_WIND = "the wind lies too often beyond the yaw angles that were run"


@dataclass(frozen=True)
class MetricCurve:
    """One criterion's metric at each road speed."""

    criterion: Criterion
    estimate: LogEstimate | None  # (n_speeds,); None where it was not measured
    why_missing: str | None
    covered: NDArray[np.bool_]  # (n_speeds,)
    seat: LogEstimate | None = None  # (n_speeds,), Wk r.m.s. of the criterion's band, m/s²
    octave_hz: Array | None = None  # (n_speeds, 2), worst octave
    unseen: tuple[Unseen, ...] = ()  # of the logarithm of the metric's square, by source
    occurs: Array | None = None  # (n_speeds,), chance that it comes up at all; None: it does
    unsure: str | None = None  # why its interval is not to be relied on, besides too few blocks
    in_wind: NDArray[np.bool_] | None = None  # (n_speeds,), where the yaw angles run cover it
    why_untold: str | None = None  # where the estimate is not a number

    def interval(self, index: int) -> Interval | None:
        """The metric in the criterion's unit at one speed; None where it is not known."""
        if self.estimate is None or np.isnan(self.estimate.value[index]):
            return None
        return self.criterion.stated(self.estimate.interval(index))

    def within(self, wind: NDArray[np.bool_]) -> MetricCurve:
        """Covered only where enough of the wind is, ``(n_speeds,)``."""
        return replace(self, covered=self.covered & wind, in_wind=wind)

    def why_not_covered(self, index: int) -> str:
        """What does not cover it at one speed."""
        told = self.in_wind is None or self.in_wind[index]
        return NOT_IN_BAND if told else NOT_IN_WIND

    def silent(self, index: int) -> bool:
        """Whether the motion lies below the criterion's perception threshold at one speed."""
        return self.seat is not None and bool(
            self.seat.value[index] < self.criterion.silent_below_m_s2
        )

    @property
    def doubt(self) -> str | None:
        """Why its interval is not to be relied on at any speed; None where it is."""
        few = self.estimate is not None and not self.estimate.reliable
        return self.unsure or (TOO_FEW if few else None)

    def budget(self, index: int) -> dict[str, float]:
        """Share of the metric's variance from each source at one speed; empty where unknown."""
        if self.estimate is None or not np.isfinite(self.estimate.spread[index]):
            return {}
        total = float(2 * self.estimate.spread[index]) ** 2  # of the square's logarithm
        shape = self.estimate.spread.shape
        parts = {
            one.source: float(np.broadcast_to(one.variance, shape)[index]) for one in self.unseen
        }
        parts = {RECORDS: total - sum(parts.values()), **parts}
        positive = {source: max(variance, 0.0) for source, variance in parts.items()}
        whole = sum(positive.values())
        return {source: own / whole for source, own in positive.items()} if whole else {}

    def probabilities(self, index: int) -> tuple[float, float]:
        """P(metric > possible), P(metric > likely) at one speed."""
        if self.estimate is None:
            return 0.0, 0.0
        possible, likely = self._probabilities[:, index].tolist()
        return possible, likely

    @cached_property
    def _probabilities(self) -> Array:
        """Of both limits at all speeds, ``(2, n_speeds)``."""
        assert self.estimate is not None
        above = [self.estimate.probability_above(limit) for limit in self.criterion.limits]
        return np.array(above) * (1.0 if self.occurs is None else self.occurs)
