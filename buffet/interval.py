"""A value with its confidence interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from statistics import NormalDist

LEVEL = 0.95
# Of an interval of that level about a normal estimate, in its standard deviations.
NORMAL_HALF_WIDTH = NormalDist().inv_cdf(0.5 + LEVEL / 2)
# One digit of an uncertainty is coarse where it is a 1 or a 2.
SECOND_DIGIT_BELOW = 2.95
# Of the value: a half-width that is rounding alone, as of a coherence of one.
UNSEEN = 1e-7
# Outside these a number is written with a power of ten.
USUAL_SIZE = (1e-5, 1e7)


@dataclass(frozen=True)
class Interval:
    """`low` or `high` is None where the data set no such limit."""

    value: float
    low: float | None
    high: float | None
    level: float = LEVEL

    def text(self, *, factor: float = 1.0, sign: bool = False, between: str = " to ") -> str:
        """`value (low to high)`, no finer than the half-width warrants."""
        scaled = self.scaled(factor)
        if scaled.value == 0 and scaled.low in (0, None):
            return "0" if scaled.high is None else f"0 (up to {scaled.high:.2g})"
        unit, tail = _exponent(scaled.value)
        limits = [None if limit is None else limit / unit for limit in (scaled.low, scaled.high)]
        value = scaled.value / unit
        half = max((abs(limit - value) for limit in limits if limit is not None), default=0.0)
        form = f"{'+' if sign else ''}z.{_decimals(half, value)}f"
        low, high = ("?" if limit is None else format(limit, form) for limit in limits)
        return f"{value:{form}} ({low}{between}{high}){tail}"

    def plus_minus(self) -> str:
        """`value ± half-width`, of an interval as far to both sides."""
        half = 0.0 if self.high is None else self.high - self.value
        unit, tail = _exponent(max(abs(self.value), half))
        decimals = _decimals(half / unit, self.value / unit)
        text = f"{self.value / unit:z.{decimals}f} ± {half / unit:.{decimals}f}"
        return f"({text}){tail}" if tail else text

    def scaled(self, factor: float) -> Interval:
        """The same interval in another unit; `factor` is positive."""
        low = None if self.low is None else self.low * factor
        high = None if self.high is None else self.high * factor
        return Interval(self.value * factor, low, high, self.level)


def _exponent(value: float) -> tuple[float, str]:
    """Power of ten to divide by, and how to write it; none for numbers of usual size."""
    if value == 0 or USUAL_SIZE[0] <= abs(value) < USUAL_SIZE[1]:
        return 1.0, ""
    exponent = floor(log10(abs(value)))
    return 10.0**exponent, f"e{exponent:+03d}"


def _decimals(half_width: float, value: float) -> int:
    """Decimals that show the half-width's first digit, and a second where the first is 1 or 2.

    Without a half-width that a reader would see: three digits of the value.
    """
    is_seen = half_width > UNSEEN * abs(value)
    size = half_width if is_seen else abs(value)
    if not size > 0:
        return 2
    exponent = floor(log10(size))
    second = size / 10**exponent < SECOND_DIGIT_BELOW
    digits = (1 if second else 0) if is_seen else 2
    return max(0, min(12, digits - exponent))
