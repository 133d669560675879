"""Natural modes of a linear car: frequency, damping, shape and a name for each."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock

Array = NDArray[np.float64]

ModeName = Literal["heave", "pitch", "front wheel hop", "rear wheel hop"]
MODE_NAMES: tuple[ModeName, ...] = get_args(ModeName)  # in the order of the coordinates
RIDE_COORDINATES = ("heave", "pitch", "front wheels", "rear wheels")
LATERAL_COORDINATES = ("lateral", "yaw", "roll")


@dataclass(frozen=True, eq=False)
class Mode:
    """One natural mode of the car, of n coordinates."""

    name: str
    natural_frequency_hz: float
    damping_ratio: float  # above 1 where the motion does not swing
    coordinates: tuple[str, ...]  # (n,)
    shape: NDArray[np.complex128]  # (n,): m or rad; the coordinate that names it is 1
    # (n,): share of the kinetic energy, sums to 1; None of measured modes, which do not tell it.
    participation: Array | None

    def __post_init__(self) -> None:
        lock(self)


def modes_of(mass: Array, damping: Array, stiffness: Array) -> tuple[Mode, ...]:
    """Return the four modes of the ride by rising frequency, of matrices (4, 4) in SI.

    Each mode takes the name of a coordinate so that the shares of kinetic energy in the named
    coordinates add up to most. Two real eigenvalues of most alike shape are one overdamped mode.

    References
    ----------
    Eigenvalues of the state matrix, |λ| = ω_n and ζ = -Re λ / |λ|: Meirovitch, Fundamentals of
    Vibrations (2001), section 7.15 (from memory).
    """
    values, vectors = np.linalg.eig(_state_matrix(mass, damping, stiffness))
    modes = _modes(values, vectors[: len(mass)], np.diag(mass), RIDE_COORDINATES)
    coordinates = _naming_coordinates(np.transpose([mode.participation for mode in modes]))
    return tuple(
        _named(mode, MODE_NAMES[coordinate], coordinate)
        for mode, coordinate in zip(modes, coordinates, strict=True)
    )


def lateral_modes(state: Array, inertia: Array) -> tuple[Mode, ...]:
    """Return the modes of lateral velocity, yaw and roll by rising natural frequency.

    Parameters
    ----------
    state : (n, n), of d/dt state = matrix · state, lateral velocity, yaw and roll rate first
    inertia : (3,), kg and kg m²

    The mode with the largest share of roll is "roll"; the lowest of the others is "lateral-yaw",
    and what is left swings with the lag of the tyres' forces, "tyre lag". Shapes are those of the
    rates, so that lateral is the velocity across the car and not its path.
    """
    values, vectors = np.linalg.eig(state)
    modes = _modes(values, vectors[:3], inertia, LATERAL_COORDINATES)
    roll = max(modes, key=lambda mode: _shares(mode)[2])
    others = [mode for mode in modes if mode is not roll]
    names = {id(roll): "roll", **{id(mode): "tyre lag" for mode in others}}
    if others:
        names[id(others[0])] = "lateral-yaw"
    return tuple(_named(mode, names[id(mode)], _leading(mode, names[id(mode)])) for mode in modes)


def _leading(mode: Mode, name: str) -> int:
    return 2 if name == "roll" else int(np.argmax(_shares(mode)[:2]))


def _shares(mode: Mode) -> Array:
    assert mode.participation is not None
    return mode.participation


def _modes(
    values: NDArray[np.complexfloating],
    vectors: NDArray[np.complexfloating],
    inertia: Array,
    coordinates: tuple[str, ...],
) -> list[Mode]:
    """Modes without a name by rising natural frequency; shapes and shares of kinetic energy."""
    weights = np.sqrt(inertia)[:, np.newaxis]
    unit = weights * vectors.astype(np.complex128)
    modes = []
    for i, j in _pairs(values, unit / np.linalg.norm(unit, axis=0)):
        omega_rad_s = float(np.sqrt((values[i] * values[j]).real))
        energy = np.abs(unit[:, i]) ** 2
        modes.append(
            Mode(
                name="",
                natural_frequency_hz=omega_rad_s / (2 * np.pi),
                damping_ratio=-float((values[i] + values[j]).real) / (2 * omega_rad_s),
                coordinates=coordinates,
                shape=vectors[:, i].astype(np.complex128),
                participation=energy / energy.sum(),
            )
        )
    return sorted(modes, key=lambda mode: mode.natural_frequency_hz)


def _named(mode: Mode, name: str, coordinate: int) -> Mode:
    return Mode(
        name,
        mode.natural_frequency_hz,
        mode.damping_ratio,
        mode.coordinates,
        mode.shape / mode.shape[coordinate],
        mode.participation,
    )


def _state_matrix(mass: Array, damping: Array, stiffness: Array) -> Array:
    """Return the matrix of d/dt (coordinates, rates) = matrix · (coordinates, rates), (8, 8)."""
    n = len(mass)
    lower = -np.linalg.solve(mass, np.hstack([stiffness, damping]))
    return np.vstack([np.hstack([np.zeros((n, n)), np.eye(n)]), lower])


def _pairs(
    values: NDArray[np.complexfloating], unit_shapes: NDArray[np.complex128]
) -> list[tuple[int, int]]:
    """Return the eigenvalues two by two: conjugates, then real ones of most alike shape.

    A real one that is left over, the quickest, is no mode.
    """
    swinging = [
        (int(i), int(np.argmin(np.abs(values - values[i].conj()))))
        for i in np.flatnonzero(values.imag > 0)
    ]
    alike = np.abs(unit_shapes.conj().T @ unit_shapes)
    real = sorted(np.flatnonzero(values.imag == 0).tolist(), key=lambda i: abs(values[i]))
    overdamped = []
    while len(real) > 1:
        slow = real.pop(0)
        quick = max(real, key=lambda j: float(alike[slow, j]))
        real.remove(quick)
        overdamped.append((slow, quick))
    return swinging + overdamped


def _naming_coordinates(shares: Array) -> tuple[int, ...]:
    """Return for each mode (column) the coordinate that names it, each used once."""
    modes = np.arange(shares.shape[1])
    return max(
        permutations(range(len(shares))),
        key=lambda order: float(shares[list(order), modes].sum()),
    )
