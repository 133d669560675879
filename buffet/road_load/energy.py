"""The energy of a drive by road load: drag, rolling resistance, inertia, and the drive's losses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.road_load.speed_trace import Motion
from buffet.vehicle import GRAVITY_M_S2

if TYPE_CHECKING:
    from ingest import Vehicle

Array = NDArray[np.float64]

# Simpson's rule, exact for the cubes of a speed that is straight over time.
_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0


@dataclass(frozen=True)
class Energy:
    """What a drive takes, per distance."""

    wheel_j_m: float  # at the wheels, while they are driven
    braked_j_m: float  # at the wheels, while they are held back
    input_j_m: float  # given to the drive, before its losses
    elasticity: float  # d ln(input) / d ln(drag coefficient)


@dataclass(frozen=True)
class RoadLoadModel:
    """What resists the car beside its drag, and what its drive makes of that.

    Tractive force F = ½ ρ C_D A V² + c_rr m g + (1 + rotating share) m dV/dt on a level road in
    still air (textbook mechanics). The drive takes P / η + P_idle where P = F V is positive, a
    straight line with an offset, such as Willans's of engines (from memory); a share of negative P
    comes back. Fuel follows that input where the offset stands for the engine's own losses.
    """

    mass_kg: float
    rolling_resistance: float
    density_kg_m3: float
    efficiency: float = 1.0  # at the wheels over what goes in, where the power is stated
    idle_power_w: float = 0.0  # goes in at all times, whatever the load
    recuperation: float = 0.0  # share of the wheels' braking energy that need not go in again
    rotating_mass_share: float = 0.0  # equivalent mass of what turns, over the car's mass

    @classmethod
    def of(cls, vehicle: Vehicle) -> RoadLoadModel | None:
        """Of a car on the road, in its air; None where its sheet has no [road_load].

        An efficiency that is not stated is 1: it cancels in relative changes.
        """
        from ingest import ROAD_AIR

        load = vehicle.road_load
        if load is None:
            return None
        return cls(
            vehicle.mass_kg,
            load.rolling_resistance,
            ROAD_AIR.density_kg_m3,
            1.0 if load.efficiency is None else load.efficiency,
            load.idle_power_w,
            load.recuperation,
            load.rotating_mass_share,
        )

    @property
    def rolling_n(self) -> float:
        """Rolling resistance, whatever the speed."""
        return self.rolling_resistance * self.mass_kg * GRAVITY_M_S2

    def drag_n(self, drag_area_m2: float, speed_m_s: Array | float) -> Array:
        """½ ρ C_D A V²."""
        return np.asarray(0.5 * self.density_kg_m3 * drag_area_m2 * np.square(speed_m_s))

    def tractive_n(
        self,
        drag_area_m2: float,
        speed_m_s: Array | float,
        acceleration_m_s2: Array | float = 0.0,
    ) -> Array:
        """Force that the driven wheels give; negative where they hold the car back."""
        inertia = (1 + self.rotating_mass_share) * self.mass_kg * np.asarray(acceleration_m_s2)
        return np.asarray(self.drag_n(drag_area_m2, speed_m_s) + self.rolling_n + inertia)

    def energy(self, drag_area_m2: float, motion: Motion) -> Energy:
        """Energy over a motion, exactly for a speed that is straight between its points.

        Parameters
        ----------
        drag_area_m2 : C_D A, positive
        """
        speed, held_s, acceleration = self._pieces(drag_area_m2, motion)
        force = self.tractive_n(drag_area_m2, speed, acceleration[:, None])
        work = held_s * (force * speed @ _WEIGHTS)
        of_drag = held_s * (self.drag_n(drag_area_m2, speed) * speed @ _WEIGHTS)
        driven = work > 0
        distance = motion.distance_m
        wheel, braked = work[driven].sum() / distance, -work[~driven].sum() / distance
        back = self.recuperation
        put_in = wheel / self.efficiency - back * braked
        put_in += self.idle_power_w * motion.duration_s / distance
        slope = of_drag[driven].sum() / self.efficiency + back * of_drag[~driven].sum()
        elasticity = slope / distance / put_in if put_in > 0 else float("nan")
        return Energy(float(wheel), float(braked), float(put_in), float(elasticity))

    def _pieces(self, drag_area_m2: float, motion: Motion) -> tuple[Array, Array, Array]:
        """Pieces of the motion within which the tractive force keeps its sign.

        Returns speeds at each piece's begin, middle and end (n, 3), its length in s and its
        acceleration (n,). While a car slows down the force crosses zero once, as V falls through
        √((-(1 + share) m dV/dt - c_rr m g) / ½ ρ C_D A).
        """
        held_s = np.diff(motion.time_s)
        first, last = motion.speed_m_s[:-1], motion.speed_m_s[1:]
        acceleration = (last - first) / held_s
        over = -self.tractive_n(drag_area_m2, 0.0, acceleration)
        turn = np.sqrt(np.maximum(over, 0.0) / self.drag_n(drag_area_m2, 1.0))
        low, high = np.minimum(first, last), np.maximum(first, last)
        turn = np.clip(turn, low, high)
        share = np.divide(turn - first, last - first, out=np.ones_like(first), where=first != last)
        begin, end = np.concatenate([first, turn]), np.concatenate([turn, last])
        speed = np.stack([begin, (begin + end) / 2, end], axis=1)
        lengths = np.concatenate([share * held_s, (1 - share) * held_s])
        return speed, lengths, np.tile(acceleration, 2)
