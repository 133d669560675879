"""Several strikes, each with its fit's error, to one value with an interval."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from buffet.interval import LEVEL, Interval


def combined(
    values: Sequence[float], log_errors: Sequence[float], level: float = LEVEL
) -> Interval:
    """Weighted mean of positive values on the log scale, with strike-to-strike scatter.

    Weights are 1 / (s² + τ²), with the scatter τ² beyond the fits' own errors by moments
    (DerSimonian & Laird 1986, Control. Clin. Trials 7, 177-188). The interval takes the weighted
    scatter of the values with Student's t (Hartung & Knapp 2001, Stat. Med. 20, 3875-3889), and
    is never narrower than the fits' errors alone would have it. A single value has these alone.
    """
    from scipy.special import ndtri, stdtrit

    logs, variances = np.log(values), np.maximum(np.square(log_errors), 1e-24)
    fixed = 1 / variances
    mean = float(np.sum(fixed * logs) / np.sum(fixed))
    half = float(ndtri(0.5 + level / 2) / np.sqrt(np.sum(fixed)))
    if len(logs) > 1:
        freedom = len(logs) - 1
        beyond = float(np.sum(fixed * (logs - mean) ** 2)) - freedom
        scale = float(np.sum(fixed) - np.sum(fixed**2) / np.sum(fixed))
        weights = 1 / (variances + max(beyond / scale, 0.0))
        mean = float(np.sum(weights * logs) / np.sum(weights))
        scatter = float(np.sum(weights * (logs - mean) ** 2) / freedom / np.sum(weights))
        half = max(half, float(stdtrit(freedom, 0.5 + level / 2)) * np.sqrt(scatter))
    return Interval(
        float(np.exp(mean)), float(np.exp(mean - half)), float(np.exp(mean + half)), level
    )
