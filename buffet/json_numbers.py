"""Numbers and intervals as JSON knows them."""

from __future__ import annotations

import math
from typing import Any

from buffet.interval import Interval

Document = dict[str, Any]


def interval(value: Interval | None) -> Document | None:
    """`value`, `low`, `high`, `level`; a limit that is not finite is null."""
    if value is None:
        return None
    return {
        "value": number(value.value),
        "low": number(value.low),
        "high": number(value.high),
        "level": value.level,
    }


def number(value: float | None) -> float | None:
    """As JSON knows it; null where it is not finite."""
    return None if value is None or not math.isfinite(value) else float(value)
