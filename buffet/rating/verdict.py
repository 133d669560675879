"""What each row says of a configuration at a road speed, and the worst of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from buffet.interval import Interval
from buffet.rating.criteria import WORST_FIRST, Criteria, Criterion, Verdict
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.onset import Onset


@dataclass(frozen=True)
class CriterionRating:
    """One criterion at one road speed."""

    criterion: Criterion
    metric: Interval | None  # the covered part; None where it is not known
    p_possible: float | None
    p_likely: float | None
    verdict: Verdict | None  # None where it was not measured
    why: str | None  # why there is no metric, or why it is undetermined
    octave_hz: tuple[float, float] | None = None
    # Share of the variance of the metric's logarithm by source; empty where there is no metric.
    budget: Mapping[str, float] = field(default_factory=dict)
    onset: Onset | None = None

    @property
    def share(self) -> float:
        """The metric over its lower limit; 0 where it is not known."""
        row = self.criterion
        return 0.0 if self.metric is None else row.sized(self.metric.value) / row.limits[0]


def rate_criterion(
    curve: MetricCurve, index: int, criteria: Criteria, onset: Onset | None = None
) -> CriterionRating:
    """One row at one of the curve's road speeds; coverage comes before any gate."""
    row = curve.criterion
    if curve.estimate is None:
        return CriterionRating(row, None, None, None, None, curve.why_missing, onset=onset)
    if (metric := curve.interval(index)) is None:
        return CriterionRating(row, None, None, None, None, curve.why_untold, onset=onset)
    p_possible, p_likely = curve.probabilities(index)
    octave = None
    if curve.octave_hz is not None:
        octave = (float(curve.octave_hz[index, 0]), float(curve.octave_hz[index, 1]))
    verdict: Verdict = criteria.verdict(p_possible, p_likely)
    why: str | None = None
    if not curve.covered[index]:
        verdict, why = "undetermined", curve.why_not_covered(index)
    elif curve.doubt is not None:
        verdict, why = "undetermined", curve.doubt
    elif curve.silent(index):
        verdict, why = "unlikely", "the motion lies below the perception threshold"
    return CriterionRating(
        row,
        metric,
        p_possible,
        p_likely,
        verdict,
        why,
        octave,
        curve.budget(index),
        onset,
    )


def worst(ratings: tuple[CriterionRating, ...]) -> CriterionRating | None:
    """The row that decides: worst verdict, then the most of its limit."""
    counted = [rating for rating in ratings if rating.verdict is not None]
    return min(counted, key=_rank, default=None)


def _rank(rating: CriterionRating) -> tuple[int, float]:
    return WORST_FIRST.index(rating.verdict or "unlikely"), -rating.share
