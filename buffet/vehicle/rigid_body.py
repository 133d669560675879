"""How points of a rigid body move with it, in the senses of SAE J1594.

x rearward, y right, z up; roll right side down (about -x), pitch nose up (about +y), yaw nose right
(about -z), as in the components of the force, so that both make work with each other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def motion_at(point_m: Sequence[float]) -> NDArray[np.float64]:
    """Return a point's motion per motion of the body at the origin, (6, 6).

    Rows and columns are x, y, z, roll, pitch and yaw; small rotations, u + θ × r. Its transpose
    carries forces at the point to the origin.
    """
    x, y, z = point_m
    matrix = np.eye(6)
    matrix[:3, 3:] = [[0.0, z, y], [z, 0.0, -x], [-y, -x, 0.0]]
    return matrix
