"""Several tests at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def holm(p_values: Sequence[float]) -> list[float]:
    """Holm's correction (Holm 1979, Scandinavian Journal of Statistics 6, 65-70)."""
    order = np.argsort(p_values)
    corrected = [0.0] * len(p_values)
    largest = 0.0
    for rank, index in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[index]))
        corrected[index] = largest
    return corrected
