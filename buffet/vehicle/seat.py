"""The seat between its base and the person on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from ingest import Seat

# A foam seat with a person on it resonates at 4 to 6 Hz (common practice, no source). It lies on
# the shedding frequency of many cars, so that results stand at the seat's base unless asked.
CUSHION_FREQUENCY_HZ = 4.5
CUSHION_DAMPING = 0.3


@dataclass(frozen=True)
class Cushion:
    """A seat cushion as one mass on a spring and a damper."""

    natural_frequency_hz: float = CUSHION_FREQUENCY_HZ
    damping: float = CUSHION_DAMPING

    def transmissibility(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return motion on the cushion per motion of the base, of the input's shape.

        References
        ----------
        (1 + 2iζr) / (1 - r² + 2iζr), base excitation of one degree of freedom: Rao, Mechanical
        Vibrations, section 3.6 (from memory).
        """
        ratio = np.asarray(frequency_hz, dtype=np.float64) / self.natural_frequency_hz
        loss = 2j * self.damping * ratio
        transmitted: NDArray[np.complex128] = (1 + loss) / (1 - ratio**2 + loss)
        return transmitted


def seat_transfer(seat: Seat, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
    """Return motion of the person per motion of the seat's base along x, y, z, (n_frequencies, 3).

    As measured where the seat states it, by the stated cushion along z, else 1. What was measured
    holds its last value beyond its last frequency.
    """
    grid = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    transfer = np.ones((len(grid), 3), dtype=np.complex128)
    if seat.cushion_frequency_hz is not None:
        damping = CUSHION_DAMPING if seat.cushion_damping is None else seat.cushion_damping
        transfer[:, 2] = Cushion(seat.cushion_frequency_hz, damping).transmissibility(grid)
    for axis, measured in enumerate((seat.x, seat.y, seat.z)):
        if measured is not None:
            transfer[:, axis] = measured.at(grid)
    return transfer
