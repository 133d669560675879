"""A value with its confidence interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10

LEVEL = 0.95


@dataclass(frozen=True)
class Interval:
    """`low` or `high` is None where the data set no such limit."""

    value: float
    low: float | None
    high: float | None
    level: float = LEVEL

    def text(self, *, factor: float = 1.0, sign: bool = False, between: str = " to ") -> str:
        """`value (low to high)` with two digits of the half-width."""
        limits = [limit for limit in (self.low, self.high) if limit is not None]
        half = max((abs(limit - self.value) * factor for limit in limits), default=0.0)
        form = f"{'+' if sign else ''}.{_decimals(half, self.value * factor)}f"
        low, high = (
            "…" if limit is None else format(limit * factor, form)
            for limit in (self.low, self.high)
        )
        return f"{self.value * factor:{form}} ({low}{between}{high})"

    def scaled(self, factor: float) -> Interval:
        """The same interval in another unit; `factor` is positive."""
        low = None if self.low is None else self.low * factor
        high = None if self.high is None else self.high * factor
        return Interval(self.value * factor, low, high, self.level)


def _decimals(half_width: float, value: float) -> int:
    """Decimals that show two digits of the half-width, or three of the value without one."""
    size, digits = (half_width, 1) if half_width > 0 else (abs(value), 2)
    return max(0, min(12, digits - floor(log10(size)))) if size > 0 else 2
