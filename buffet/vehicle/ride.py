"""Heave and pitch of the car with its front and rear wheels: four degrees of freedom, linear.

Coordinates, all about the static position: the height of the sprung mass's centre of gravity
(m, up), its pitch angle (rad, nose up), the heights of the front and rear unsprung masses (m, up).
Left and right wheels move together. Inputs are drag (N, rearward), lift (N, up) and pitch moment
(N m, nose up) about the origin on the ground at mid-wheelbase, or road heights (m, up).

How the force acts on the sprung mass. Lift L at the origin pushes at a distance x_s ahead of the
sprung mass's own centre of gravity, so it turns it by L x_s. Drag D is too quick for the engine to
answer: it slows the whole car, mass m with unsprung part m_u, by D/m, and the wheels, at height
h_u, pull the body forward with D m_u/m. About the sprung centre of gravity, height h_s, that leaves

    -D h_s + D (m_u/m) (h_s - h_u)  =  -D ((m - m_u) h_s + m_u h_u) / m  =  -D h_cg,

so the arm of drag is the height of the whole car's centre of gravity whatever the wheels' height,
while the arm of lift is that of the sprung one. Rotary inertia of wheels and drive is neglected.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.spectral.locking import lock
from buffet.vehicle.masses import (
    GRAVITY_M_S2,
    WHEELS_PER_AXLE,
    Masses,
    masses_of,
    refuse_what_is_not_positive,
)
from buffet.vehicle.modes import Mode, modes_of

if TYPE_CHECKING:
    from ingest import Vehicle

AxleName = Literal["front", "rear"]
AXLE_NAMES: tuple[AxleName, ...] = get_args(AxleName)


@dataclass(frozen=True, eq=False)
class RideModel:
    """The car as a linear system; build it with `RideModel.from_vehicle`."""

    mass: NDArray[np.float64]  # (4, 4), kg and kg m²
    damping: NDArray[np.float64]  # (4, 4), N s/m, N s and N m s
    stiffness: NDArray[np.float64]  # (4, 4), N/m, N and N m
    force_input: NDArray[np.float64]  # (4, 3): drag, lift, pitch moment to generalised forces
    tyre_stiffness_n_m: tuple[float, float]  # front, rear; both wheels of an axle
    static_axle_load_n: tuple[float, float]  # front, rear; both wheels of an axle
    wheelbase_m: float
    sprung_cg_x_m: float  # rearward of mid-wheelbase
    seat_x_m: float  # rearward of mid-wheelbase
    # Last grid and response to force and to road.
    _known: dict[str, tuple[bytes, NDArray[np.complex128]]] = field(
        default_factory=dict, repr=False
    )

    def __post_init__(self) -> None:
        lock(self)

    @classmethod
    def from_vehicle(cls, vehicle: Vehicle) -> RideModel:
        """Build the model of a car whose values are per wheel.

        Raises
        ------
        ImpossibleCarError
            If the wheels outweigh the car or an axle, or a mass or rate is not positive.
        """
        masses = masses_of(vehicle)
        refuse_what_is_not_positive(vehicle, _positive_values(vehicle))
        cg_x_m = masses.sprung_x_m
        links = _suspension_links(
            vehicle.wheelbase_m / 2 + cg_x_m, vehicle.wheelbase_m / 2 - cg_x_m
        )
        front, rear = vehicle.front, vehicle.rear
        return cls(
            mass=_mass_matrix(masses, vehicle.pitch_inertia_kg_m2),
            damping=_link_matrix(links, (front.damping_n_s_m, rear.damping_n_s_m)),
            stiffness=_link_matrix(links, (front.wheel_rate_n_m, rear.wheel_rate_n_m))
            + _link_matrix(_TYRE_LINKS, (front.tyre_stiffness_n_m, rear.tyre_stiffness_n_m)),
            force_input=_force_input(cg_x_m, vehicle.cg_height_m),
            tyre_stiffness_n_m=(
                WHEELS_PER_AXLE * front.tyre_stiffness_n_m,
                WHEELS_PER_AXLE * rear.tyre_stiffness_n_m,
            ),
            static_axle_load_n=(
                GRAVITY_M_S2 * vehicle.front_axle_mass_kg,
                GRAVITY_M_S2 * (vehicle.mass_kg - vehicle.front_axle_mass_kg),
            ),
            wheelbase_m=vehicle.wheelbase_m,
            sprung_cg_x_m=cg_x_m,
            seat_x_m=vehicle.seat_at_m[0],
        )

    @cached_property
    def modes(self) -> tuple[Mode, ...]:
        """The four modes by rising natural frequency, named by what moves most."""
        return modes_of(self.mass, self.damping, self.stiffness)

    def response_to_force(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return the coordinates per drag, lift and pitch moment, (n_frequencies, 4, 3)."""
        return self._solved("force", frequency_hz)

    def response_to_road(
        self, frequency_hz: ArrayLike, speed_m_s: float | NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Return the coordinates per metre of road under the front axle, (..., n_frequencies, 4).

        The rear axle meets the same road later by wheelbase over speed; both tracks are alike.

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        per_axle = self._solved("road", frequency_hz)
        response: NDArray[np.complex128] = np.einsum(
            "fca,...fa->...fc", per_axle, self._road_at_axles(frequency_hz, speed_m_s)
        )
        return response

    def seat_acceleration_per_force(
        self,
        frequency_hz: ArrayLike,
        *,
        seat_x_m: float | None = None,
    ) -> NDArray[np.complex128]:
        """Return vertical acceleration of the seat's base, (n_frequencies, 3), m/s² per N, N, N m.

        Columns are drag, lift and pitch moment at the origin. The seat is the car's own unless
        x (m, rearward of mid-wheelbase) is given.
        """
        response = self.response_to_force(frequency_hz)
        row = self._seat_row(frequency_hz, seat_x_m)
        acceleration: NDArray[np.complex128] = np.einsum("fc,fci->fi", row, response)
        return acceleration

    def seat_acceleration_per_road(
        self,
        frequency_hz: ArrayLike,
        speed_m_s: float | NDArray[np.float64],
        *,
        seat_x_m: float | None = None,
    ) -> NDArray[np.complex128]:
        """Return vertical acceleration of the seat's base per metre of road, (n_frequencies,).

        In 1/s². Of speeds ``(n_speeds, 1)``, ``(n_speeds, n_frequencies)``.

        Raises
        ------
        ValueError
            If the speed is not positive.
        """
        response = self.response_to_road(frequency_hz, speed_m_s)
        row = self._seat_row(frequency_hz, seat_x_m)
        acceleration: NDArray[np.complex128] = np.einsum("fc,...fc->...f", row, response)
        return acceleration

    def axle_load_per_force(
        self, frequency_hz: ArrayLike, axle: AxleName
    ) -> NDArray[np.complex128]:
        """Return the axle's load on the road, (n_frequencies, 3), N per N, N and N m.

        Positive is more load; columns are drag, lift and pitch moment at the origin.

        Raises
        ------
        ValueError
            If the axle is neither front nor rear.
        """
        index = _axle_index(axle)
        return -self.tyre_stiffness_n_m[index] * self.response_to_force(frequency_hz)[:, 2 + index]

    def axle_load_per_road(
        self, frequency_hz: ArrayLike, speed_m_s: float, axle: AxleName
    ) -> NDArray[np.complex128]:
        """Return the axle's load on the road per metre of road, (n_frequencies,), N/m.

        Raises
        ------
        ValueError
            If the axle is neither front nor rear, or the speed is not positive.
        """
        index = _axle_index(axle)
        road = self._road_at_axles(frequency_hz, speed_m_s)[:, index]
        wheel = self.response_to_road(frequency_hz, speed_m_s)[:, 2 + index]
        return self.tyre_stiffness_n_m[index] * (road - wheel)

    def _solved(
        self, by: Literal["force", "road"], frequency_hz: ArrayLike
    ) -> NDArray[np.complex128]:
        """Return the coordinates per force or per metre of road under each axle; kept.

        Of the last grid alone: one car's outputs and road speeds share it.
        """
        grid = _as_grid(frequency_hz)
        key = grid.tobytes()
        if self._known.get(by, (b"",))[0] != key:
            inputs = self.force_input if by == "force" else self._road_input()
            omega = 2 * np.pi * grid[:, np.newaxis, np.newaxis]
            dynamic = self.stiffness - omega**2 * self.mass + 1j * omega * self.damping
            solved = np.linalg.solve(dynamic, np.broadcast_to(inputs, (len(omega), *inputs.shape)))
            response = np.asarray(solved, dtype=np.complex128)
            response.flags.writeable = False
            self._known[by] = key, response
        return self._known[by][1]

    def _road_input(self) -> NDArray[np.float64]:
        """Return what a metre of road under each axle pushes with, (4, 2)."""
        pushes: NDArray[np.float64] = _TYRE_LINKS.T * np.array(self.tyre_stiffness_n_m)
        return pushes

    def _road_at_axles(
        self, frequency_hz: ArrayLike, speed_m_s: float | NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        slowest = np.min(speed_m_s)
        if not slowest > 0:
            raise ValueError(
                f"a road response needs a speed above 0 m/s, got {slowest:g} m/s: "
                "the rear wheels follow the front ones after wheelbase / speed"
            )
        delay_s = self.wheelbase_m / speed_m_s
        rear = np.exp(-2j * np.pi * _as_grid(frequency_hz) * delay_s)
        return np.stack([np.ones_like(rear), rear], axis=-1)

    def _seat_row(self, frequency_hz: ArrayLike, seat_x_m: float | None) -> NDArray[np.complex128]:
        """Return acceleration of the seat's base per coordinate, (n_frequencies, 4)."""
        grid = _as_grid(frequency_hz)
        x_m = self.seat_x_m if seat_x_m is None else seat_x_m
        gain = -((2 * np.pi * grid) ** 2).astype(np.complex128)
        row: NDArray[np.complex128] = gain[:, np.newaxis] * [1.0, self.sprung_cg_x_m - x_m, 0, 0]
        return row


_TYRE_LINKS = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]])


def _suspension_links(to_front_m: float, to_rear_m: float) -> NDArray[np.float64]:
    """Return each suspension's extension per coordinate, (2, 4), from distances to the cg."""
    return np.array([[1.0, to_front_m, -1.0, 0.0], [1.0, -to_rear_m, 0.0, -1.0]])


def _link_matrix(links: NDArray[np.float64], per_wheel: tuple[float, float]) -> NDArray[np.float64]:
    matrix: NDArray[np.float64] = links.T @ np.diag(per_wheel) @ links * WHEELS_PER_AXLE
    return matrix


def _force_input(sprung_cg_x_m: float, cg_height_m: float) -> NDArray[np.float64]:
    """Return generalised forces per drag, lift and pitch moment, (4, 3), as derived above."""
    return np.array(
        [[0.0, 1.0, 0.0], [-cg_height_m, sprung_cg_x_m, 1.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]]
    )


def _mass_matrix(masses: Masses, pitch_inertia_kg_m2: float) -> NDArray[np.float64]:
    return np.diag([masses.sprung_kg, pitch_inertia_kg_m2, *masses.unsprung_kg])


def _positive_values(vehicle: Vehicle) -> dict[str, float]:
    return {
        "wheelbase (m)": vehicle.wheelbase_m,
        "pitch_inertia (kg m²)": vehicle.pitch_inertia_kg_m2,
        "front wheel_rate (N/m)": vehicle.front.wheel_rate_n_m,
        "rear wheel_rate (N/m)": vehicle.rear.wheel_rate_n_m,
        "front tyre_stiffness (N/m)": vehicle.front.tyre_stiffness_n_m,
        "rear tyre_stiffness (N/m)": vehicle.rear.tyre_stiffness_n_m,
    }


def _axle_index(axle: AxleName) -> int:
    if axle not in AXLE_NAMES:
        raise ValueError(f"no axle is called {axle!r}: choose front or rear")
    return AXLE_NAMES.index(axle)


def _as_grid(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    return np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
