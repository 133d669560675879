"""Results that cannot be changed by mistake."""

from __future__ import annotations

import numpy as np


def lock(holder: object) -> None:
    """Make every array that an object holds itself read-only."""
    for value in vars(holder).values():
        if isinstance(value, np.ndarray):
            value.setflags(write=False)
