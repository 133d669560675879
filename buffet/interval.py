"""A value with its confidence interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10

LEVEL = 0.95
# One digit of an uncertainty is coarse where it is a 1 or a 2.
SECOND_DIGIT_BELOW = 2.95


@dataclass(frozen=True)
class Interval:
    """`low` or `high` is None where the data set no such limit."""

    value: float
    low: float | None
    high: float | None
    level: float = LEVEL

    def text(self, *, factor: float = 1.0, sign: bool = False, between: str = " to ") -> str:
        """`value (low to high)`, no finer than the half-width warrants."""
        limits = [limit for limit in (self.low, self.high) if limit is not None]
        half = max((abs(limit - self.value) * factor for limit in limits), default=0.0)
        form = f"{'+' if sign else ''}.{_decimals(half, self.value * factor)}f"
        low, high = (
            "…" if limit is None else format(limit * factor, form)
            for limit in (self.low, self.high)
        )
        return f"{self.value * factor:{form}} ({low}{between}{high})"

    def plus_minus(self) -> str:
        """`value ± half-width`, of an interval as far to both sides."""
        half = 0.0 if self.high is None else self.high - self.value
        decimals = _decimals(half, self.value)
        return f"{self.value:.{decimals}f} ± {half:.{decimals}f}"

    def scaled(self, factor: float) -> Interval:
        """The same interval in another unit; `factor` is positive."""
        low = None if self.low is None else self.low * factor
        high = None if self.high is None else self.high * factor
        return Interval(self.value * factor, low, high, self.level)


def _decimals(half_width: float, value: float) -> int:
    """Decimals that show the half-width's first digit, and a second where the first is 1 or 2.

    Without a half-width: three digits of the value.
    """
    size = half_width if half_width > 0 else abs(value)
    if not size > 0:
        return 2
    exponent = floor(log10(size))
    second = size / 10**exponent < SECOND_DIGIT_BELOW
    digits = (1 if second else 0) if half_width > 0 else 2
    return max(0, min(12, digits - exponent))
