"""A value with its confidence interval."""

from __future__ import annotations

from dataclasses import dataclass

LEVEL = 0.95


@dataclass(frozen=True)
class Interval:
    """`low` or `high` is None where the data set no such limit."""

    value: float
    low: float | None
    high: float | None
    level: float = LEVEL

    def scaled(self, factor: float) -> Interval:
        """The same interval in another unit; `factor` is positive."""
        low = None if self.low is None else self.low * factor
        high = None if self.high is None else self.high * factor
        return Interval(self.value * factor, low, high, self.level)
