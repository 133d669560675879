"""Moments from a balance's reference point to the vehicle's origin.

With the loads F and M at the point r, M_origin = M + r × F (statics), in SAE J1594's senses: pitch
nose up about +y, yaw nose right about -z, roll right side down about -x (see inertia.py).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

# What a force adds to a moment, for each coordinate of the point: r × F about the axes, with the
# moments' senses.
_ADDED: dict[str, tuple[tuple[str, int, float], ...]] = {
    "roll moment": (("lift", 1, -1.0), ("side force", 2, 1.0)),
    "pitch moment": (("drag", 2, 1.0), ("lift", 0, -1.0)),
    "yaw moment": (("side force", 0, -1.0), ("drag", 1, 1.0)),
}
# These hold a moment already, over the wheelbase and about the origin.
_AXLE_LOADS = ("front lift", "rear lift", "front side force", "rear side force")


def transfer_matrix(loads: Sequence[str], point_m: Sequence[float]) -> NDArray[np.float64]:
    """Loads about the vehicle's origin from those about the point, ``(n_loads, n_loads)``."""
    matrix = np.eye(len(loads))
    for row, load in enumerate(loads):
        for force, axis, sign in _ADDED.get(load, ()):
            if point_m[axis] != 0.0:
                matrix[row, loads.index(force)] = sign * point_m[axis]
    return matrix


def missing_forces(loads: Sequence[str], point_m: Sequence[float]) -> dict[str, str]:
    """Why loads cannot be carried to the origin, by load."""
    if not any(point_m):
        return {}
    why = {
        load: f"an axle load has no reference point of its own; {load} is counted at its axle"
        for load in loads
        if load in _AXLE_LOADS
    }
    for load in loads:
        needed = [f for f, axis, _ in _ADDED.get(load, ()) if point_m[axis] and f not in loads]
        if needed:
            why[load] = f"it needs {' and '.join(needed)}, which the balance does not give"
    return why
