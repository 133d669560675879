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
    coordinates add up to most. Two real eigenvalues of most alike shape are one overdamped mode.

    References
    ----------
    Eigenvalues of the state matrix, |λ| = ω_n and ζ = -Re λ / |λ|: Meirovitch, Fundamentals of
    Vibrations (2001), section 7.15 (from memory).
    """
    values, vectors = np.linalg.eig(_state_matrix(mass, damping, stiffness))
    weights = np.sqrt(np.diag(mass))[:, np.newaxis]
    unit = weights * vectors[: len(mass)].astype(np.complex128)
    pairs = _pairs(values, unit / np.linalg.norm(unit, axis=0))
    omega_rad_s = np.sqrt([(values[i] * values[j]).real for i, j in pairs])
    ratios = [-(values[i] + values[j]).real for i, j in pairs] / (2 * omega_rad_s)
    shapes = vectors[: len(mass), [i for i, _ in pairs]].astype(np.complex128)
    energy = np.abs(weights * shapes) ** 2
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


def _pairs(
    values: NDArray[np.complexfloating], unit_shapes: NDArray[np.complex128]
) -> list[tuple[int, int]]:
    """Return the eigenvalues two by two: conjugates, then real ones of most alike shape."""
    swinging = [
        (int(i), int(np.argmin(np.abs(values - values[i].conj()))))
        for i in np.flatnonzero(values.imag > 0)
    ]
    alike = np.abs(unit_shapes.conj().T @ unit_shapes)
    real = sorted(np.flatnonzero(values.imag == 0).tolist(), key=lambda i: abs(values[i]))
    overdamped = []
    while real:
        slow = real.pop(0)
        quick = max(real, key=lambda j: float(alike[slow, j]))
        real.remove(quick)
        overdamped.append((slow, quick))
    return swinging + overdamped


def _naming_coordinates(shares: NDArray[np.float64]) -> tuple[int, ...]:
    """Return for each mode (column) the coordinate that names it, each used once."""
    modes = np.arange(shares.shape[1])
    return max(
        permutations(range(len(shares))),
        key=lambda order: float(shares[list(order), modes].sum()),
    )
