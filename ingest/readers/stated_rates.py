"""The sample rate where a single number among a file's arrays says it."""

from __future__ import annotations

import math
from collections.abc import Mapping

# Names in use for the samples in a second and for the seconds between them; common practice, no
# source. Case, underscores and a unit at the end (hz, s) make no difference.
_RATES = (
    "fs fsamp fsample rate sr samplerate samplingrate samplefreq samplingfreq samplefrequency "
    "samplingfrequency"
)
_STEPS = (
    "dt ts tsample tsamp sampletime samplingtime timestep sampleperiod samplingperiod "
    "sampleinterval samplinginterval increment wfincrement"
)
# Numbers that say the same rate agree to this share: steps are often stored rounded, in single
# precision (engineering judgement).
_AGREE = 1e-6


def may_state_rate(name: str) -> bool:
    """Whether a single number of this name is looked at."""
    return _is_in(_RATES, name, "_hz") or _is_in(_STEPS, name, "_s")


def stated_rate_hz(numbers: Mapping[str, float]) -> float | None:
    """The rate that the numbers say by their names; None where they say none or several."""
    rates = []
    for name, number in numbers.items():
        if _is_in(_RATES, name, "_hz"):
            rates.append(number)
        elif _is_in(_STEPS, name, "_s"):
            rates.append(1.0 / number if number else math.inf)
    if not rates or not all(0.0 < rate < math.inf for rate in rates):
        return None
    return rates[0] if max(rates) - min(rates) <= _AGREE * rates[0] else None


def _is_in(names: str, name: str, unit: str) -> bool:
    return name.casefold().removesuffix(unit).replace("_", "") in names.split()
