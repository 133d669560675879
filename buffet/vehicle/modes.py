"""Natural modes of the heave-pitch model: frequency, damping, shape and a name for each."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

ModeName = Literal["heave", "pitch", "front wheel hop", "rear wheel hop"]
MODE_NAMES: tuple[ModeName, ...] = get_args(ModeName)  # in the order of the coordinates


@dataclass(frozen=True, eq=False)
class Mode:
    """One natural mode of the car."""

    name: ModeName
    natural_frequency_hz: float
    damping_ratio: float  # above 1 where the motion does not swing
    shape: NDArray[np.complex128]  # (4,): m, rad, m, m; the coordinate that names it is 1
    participation: NDArray[np.float64]  # (4,): share of the kinetic energy, sums to 1

    def __post_init__(self) -> None:
        self.shape.flags.writeable = False
        self.participation.flags.writeable = False


def modes_of(
    mass: NDArray[np.float64], damping: NDArray[np.float64], stiffness: NDArray[np.float64]
) -> tuple[Mode, ...]:
    """Return the four modes by rising natural frequency, of matrices (4, 4) in SI.

    Each mode takes the name of a coordinate so that the shares of kinetic energy in the named
    coordinates add up to most. A pair of real eigenvalues is one overdamped mode.

    References
    ----------
    Eigenvalues of the state matrix, |λ| = ω_n and ζ = -Re λ / |λ|: Meirovitch, Fundamentals of
    Vibrations (2001), section 7.15 (from memory).
    """
    omega_rad_s, ratios, shapes = _damped_pairs(_state_matrix(mass, damping, stiffness))
    energy = np.diag(mass)[:, np.newaxis] * np.abs(shapes) ** 2
    shares = energy / energy.sum(axis=0)
    coordinates = _naming_coordinates(shares)
    return tuple(
        Mode(
            name=MODE_NAMES[coordinates[k]],
            natural_frequency_hz=float(omega_rad_s[k]) / (2 * np.pi),
            damping_ratio=float(ratios[k]),
            shape=shapes[:, k] / shapes[coordinates[k], k],
            participation=shares[:, k].copy(),
        )
        for k in np.argsort(omega_rad_s)
    )


def _state_matrix(
    mass: NDArray[np.float64], damping: NDArray[np.float64], stiffness: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the matrix of d/dt (coordinates, rates) = matrix · (coordinates, rates), (8, 8)."""
    n = len(mass)
    lower = -np.linalg.solve(mass, np.hstack([stiffness, damping]))
    return np.vstack([np.hstack([np.zeros((n, n)), np.eye(n)]), lower])


def _damped_pairs(
    state: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.complex128]]:
    """Return natural frequency (rad/s), damping ratio and shape (columns) of every pair."""
    values, vectors = np.linalg.eig(state)
    swinging = np.flatnonzero(values.imag > 0)
    real = np.flatnonzero(values.imag == 0)
    slow_first = real[np.argsort(np.abs(values[real]))]
    # Two overdamped modes leave four real values; the nearest neighbours are taken together.
    first = np.concatenate([swinging, slow_first[0::2]])
    product = np.concatenate(
        [
            np.abs(values[swinging]) ** 2,
            (values[slow_first[0::2]] * values[slow_first[1::2]]).real,
        ]
    )
    total = np.concatenate(
        [2 * values[swinging].real, (values[slow_first[0::2]] + values[slow_first[1::2]]).real]
    )
    omega = np.sqrt(product)
    shapes = np.asarray(vectors[: len(state) // 2, first], dtype=np.complex128)
    return omega, -total / (2 * omega), shapes


def _naming_coordinates(shares: NDArray[np.float64]) -> tuple[int, ...]:
    """Return for each mode (column) the coordinate that names it, each used once."""
    modes = np.arange(shares.shape[1])
    return max(
        permutations(range(len(shares))),
        key=lambda order: float(shares[list(order), modes].sum()),
    )
