"""One configuration at each of its curves' speeds: rows, verdict and sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buffet.rating.criteria import Verdict
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.shedding import shedding
from buffet.rating.verdict import CriterionRating, rate_criterion, worst
from buffet.rating.wording import explain


@dataclass(frozen=True)
class AtSpeed:
    """What the rating says at one road speed."""

    speed_m_s: float
    verdict: Verdict
    why: str  # without the remarks, which hold at every speed
    rows: tuple[CriterionRating, ...]  # of every criterion

    @property
    def decisive(self) -> CriterionRating | None:
        """The row that set the verdict."""
        return worst(self.rows)


def at_speeds(
    one: ConfigurationRating, rating: Rating, indices: Sequence[int]
) -> tuple[AtSpeed, ...]:
    """A configuration at the speeds that its curves have there."""
    return tuple(_at(one, rating, index) for index in indices)


def _at(one: ConfigurationRating, rating: Rating, index: int) -> AtSpeed:
    curves = one.curves
    speed = float(curves.setting.speeds_m_s[index])
    rows = tuple(rate_criterion(curve, index, rating.criteria) for curve in curves.metrics)
    decisive = worst(rows)
    verdict: Verdict = (decisive.verdict if decisive else None) or "undetermined"
    shed = shedding(curves, rating.results, speed)
    why = explain(verdict, decisive or rows[0], shed, speed, ())
    return AtSpeed(speed, verdict, why, rows)
