"""Sample rate and anti-alias filter for a road band."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log10

from ingest import USABLE_SHARE_OF_CUTOFF

# Rates that loggers offer, times powers of ten (common practice, no source).
USUAL_RATES = (1.0, 2.0, 2.5, 4.0, 5.0, 8.0, 10.0)
# What folds down into the usable band is weaker than in the wake itself by this many decibels: a
# hundredth of its amplitude (engineering judgement).
ATTENUATION_DB = 40.0
# Of the anti-alias filter, a Butterworth low-pass; loggers usually have eight (engineering
# judgement).
FILTER_ORDER = 8


@dataclass(frozen=True)
class Sampling:
    """How to sample."""

    rate_hz: float
    cutoff_hz: float  # -3 dB
    order: int
    usable_to_hz: float  # 0.7 of the cutoff
    needed_to_hz: float  # highest model frequency wanted

    @property
    def folded_db(self) -> float:
        """By how much what folds down to the end of the usable band is attenuated, decibels."""
        return butterworth_db((self.rate_hz - self.usable_to_hz) / self.cutoff_hz, self.order)

    @property
    def is_enough(self) -> bool:
        """Whether the usable band reaches what is wanted."""
        return self.usable_to_hz >= self.needed_to_hz * (1 - 1e-9)


def model_hz(road_hz: float, wind_m_s: float, road_m_s: float, scale: float) -> float:
    """Frequency in the tunnel of a road frequency: f_model = f_road (U / V) / scale."""
    return road_hz * wind_m_s / (road_m_s * scale)


def road_hz(model: float, wind_m_s: float, road_m_s: float, scale: float) -> float:
    """And back."""
    return model * road_m_s * scale / wind_m_s


def butterworth_db(ratio: float, order: int) -> float:
    """Attenuation of a Butterworth low-pass at a multiple of its cutoff, 10 lg(1 + r^(2n))."""
    return 10 * log10(1 + ratio ** (2 * order))


def rate_over_cutoff(order: int, attenuation_db: float = ATTENUATION_DB) -> float:
    """Least sample rate over cutoff.

    What lies above f_s - f_u folds below f_u, the end of the usable band: the filter must have
    come down by then, f_s / f_c = 0.7 + (10^(A/10) - 1)^(1/2n). 2.48 for eighth order and 40 dB.
    """
    folded = (10 ** (attenuation_db / 10) - 1) ** (1 / (2 * order))
    return float(USABLE_SHARE_OF_CUTOFF + folded)


def sampling(needed_to_hz: float, order: int, highest_rate_hz: float | None) -> Sampling:
    """Least usual rate whose filter passes the wanted band, or the highest that there is."""
    ratio = rate_over_cutoff(order)
    least_hz = needed_to_hz / USABLE_SHARE_OF_CUTOFF
    rate_hz = usual_rate_hz(least_hz * ratio)
    if highest_rate_hz is not None and rate_hz > highest_rate_hz:
        rate_hz = highest_rate_hz
    cutoff_hz = min(_rounded_up(least_hz), rate_hz / ratio)
    if cutoff_hz < least_hz:
        cutoff_hz = _rounded_down(cutoff_hz)
    usable_hz = USABLE_SHARE_OF_CUTOFF * cutoff_hz
    return Sampling(rate_hz, cutoff_hz, order, usable_hz, needed_to_hz)


def usual_rate_hz(least_hz: float) -> float:
    """The lowest usual rate from there on."""
    decade = 10.0 ** floor(log10(least_hz))
    return next(step * decade for step in USUAL_RATES if step * decade >= least_hz * (1 - 1e-9))


def hz_text(value_hz: float, digits: int = 3) -> str:
    """ "80000", "13.8": so many digits, and never with an exponent where it is large."""
    text = f"{value_hz:.{digits}g}"
    return f"{float(text):.0f}" if float(text) >= 10 ** (digits - 1) else text


def _rounded_up(value_hz: float) -> float:
    unit = 10.0 ** (floor(log10(value_hz)) - 1)
    return ceil(value_hz / unit - 1e-9) * unit


def _rounded_down(value_hz: float) -> float:
    unit = 10.0 ** (floor(log10(value_hz)) - 1)
    return floor(value_hz / unit + 1e-9) * unit
