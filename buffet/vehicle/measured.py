"""The car's body by its measured modes, in place of masses, springs and tyres.

Each mode answers to the force by the work this does on its shape φ, and moves the body along φ:

    u(ω) = Σ φ φᵀ / (m (ω0² - ω² + 2iζω0ω)) F(ω)

with u the motion of the origin and F the forces and moments about it (Ewins, Modal Testing, 2000,
section 2.4, from memory). Wheels and tyres have no part in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.vehicle.modes import Mode
from ingest import BODY_MOTIONS

if TYPE_CHECKING:
    from ingest import MeasuredMode, Vehicle

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class MeasuredModes:
    """The body as a sum of modes."""

    stated: tuple[MeasuredMode, ...]

    @classmethod
    def of(cls, vehicle: Vehicle) -> MeasuredModes:
        """The modes that the car's sheet states."""
        return cls(vehicle.modes)

    @property
    def modes(self) -> tuple[Mode, ...]:
        """As other models give theirs, by rising frequency; the largest motion is 1."""
        return tuple(
            _as_mode(mode) for mode in sorted(self.stated, key=lambda m: m.natural_frequency_hz)
        )

    def body_acceleration(self, frequency_hz: ArrayLike) -> Complex:
        """Return the acceleration at the origin per component, (n_frequencies, 6, 6).

        Rows by `BODY_MOTIONS`, m/s² and rad/s²; columns drag, side force and lift (N), roll, pitch
        and yaw moment (N m).
        """
        omega = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        total = np.zeros((len(omega), 6, 6), dtype=np.complex128)
        for mode in self.stated:
            shape = np.array(mode.shape)
            total += _gain(mode, omega)[:, None, None] * np.outer(shape, shape)
        return total

    def yaw_rate(self, frequency_hz: ArrayLike) -> Complex:
        """Return the yaw rate per component, (n_frequencies, 6), rad/s; its limit 0 at 0 Hz."""
        omega = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        yaw = self.body_acceleration(frequency_hz)[:, BODY_MOTIONS.index("yaw")]
        moving = omega > 0
        rate = np.zeros_like(yaw)
        rate[moving] = yaw[moving] / (1j * omega[moving, None])
        return rate


def _gain(mode: MeasuredMode, omega: Array) -> Complex:
    """Acceleration of the modal coordinate per modal force, (n,), 1/kg; 1/m where ω0 is 0."""
    own = 2 * np.pi * mode.natural_frequency_hz
    if own == 0:
        return np.full(len(omega), 1 / mode.modal_mass_kg, dtype=np.complex128)
    stiffness = own**2 - omega**2 + 2j * mode.damping * own * omega
    return np.asarray(-(omega**2) / (mode.modal_mass_kg * stiffness))


def _as_mode(mode: MeasuredMode) -> Mode:
    shape = np.array(mode.shape, dtype=np.complex128)
    return Mode(
        mode.name,
        mode.natural_frequency_hz,
        mode.damping,
        BODY_MOTIONS,
        shape / shape[np.argmax(np.abs(shape))],
        None,
    )
