"""What the checks say about a recording before anyone trusts it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

Severity = Literal["error", "warning", "note"]
SEVERITIES: tuple[str, ...] = get_args(Severity)  # worst first


@dataclass(frozen=True)
class Finding:
    """One observation about one run; it never stops an analysis by itself."""

    severity: Severity
    code: str  # kebab-case and stable, e.g. "zero-drift"
    run: str  # the run's number
    channel: str | None  # the channel's name; None where the whole run is meant
    message: str  # what, where, and the value
    advice: str  # what to do about it


def percent(share: float) -> str:
    """Two digits of a share, with the sign."""
    digits = 2 if share == 0.0 else max(0, 1 - math.floor(math.log10(100.0 * share)))
    return f"{100.0 * share:.{digits}f} %"


def three_digits(value: float) -> str:
    """Three digits of a number; powers of ten from a million on and below 0.0001 only."""
    return f"{float(f'{value:.3g}'):g}"
