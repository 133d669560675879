"""Open windows and roofs: the cabin's own frequency, the shear layer's, and where they meet.

Walls are taken as rigid and the cabin as tight: measured frequencies are lower, because doors and
roof give way, and leaks damp them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.errors import BuffetError

Array = NDArray[np.float64]

# Length that the air beyond one end of a neck adds, in radii of its area. In a wide wall: a piston
# in an infinite baffle, 8 / (3π) (Rayleigh, Theory of Sound, section 312, from memory). Of a free
# pipe: Levine and Schwinger 1948, Physical Review 73, 383-406.
FLANGED_END = 8 / (3 * pi)
FREE_END = 0.6133


class OpeningError(BuffetError):
    """An opening or a cabin that cannot be."""


@dataclass(frozen=True)
class Opening:
    """A hole in the cabin's walls."""

    area_m2: float
    neck_length_m: float = 0.0  # of the wall or frame that the air passes
    end_radii: tuple[float, float] = (FLANGED_END, FLANGED_END)  # inside, outside

    def __post_init__(self) -> None:
        """Refuse what has no air in it.

        Raises
        ------
        OpeningError
            The area is not above 0, a length is below, or the air has no length at all.
        """
        lengths = (self.neck_length_m, *self.end_radii)
        if not (isfinite(self.area_m2) and self.area_m2 > 0 and min(lengths) >= 0 < max(lengths)):
            raise OpeningError(
                f"an opening of {self.area_m2:g} m² with a neck of {self.neck_length_m:g} m and "
                f"ends of {self.end_radii[0]:g} and {self.end_radii[1]:g} radii cannot be: give an "
                "area above 0 and lengths of 0 or above that are not all 0"
            )

    @property
    def effective_length_m(self) -> float:
        """Neck with its end corrections, by the radius of a circle of the same area."""
        return self.neck_length_m + sum(self.end_radii) * sqrt(self.area_m2 / pi)

    @property
    def conductivity_m(self) -> float:
        """Area over effective length; those of openings side by side add up."""
        return self.area_m2 / self.effective_length_m


@dataclass(frozen=True)
class Cabin:
    """A rigid volume of air behind one or more openings."""

    volume_m3: float
    openings: tuple[Opening, ...]
    sound_speed_m_s: float

    def __post_init__(self) -> None:
        """Refuse what cannot resound.

        Raises
        ------
        OpeningError
            Volume or speed of sound are not above 0, or nothing is open.
        """
        if not (self.volume_m3 > 0 and self.sound_speed_m_s > 0 and self.openings):
            raise OpeningError(
                f"a cabin of {self.volume_m3:g} m³ with {len(self.openings)} openings and a speed "
                f"of sound of {self.sound_speed_m_s:g} m/s has no Helmholtz frequency: give a "
                "volume and a speed above 0 and at least one opening"
            )

    @property
    def helmholtz_hz(self) -> float:
        """Frequency c / (2π) √(Σ(S / l) / V) at which air in the openings moves as one.

        Far below the frequencies at which the cabin's length holds half a wave.

        References
        ----------
        Kinsler, Frey, Coppens and Sanders, Fundamentals of Acoustics, 4th edition, section 10.8
        (from memory); openings in parallel: Rayleigh, Theory of Sound, section 304 (from memory).
        """
        conductivity = sum(opening.conductivity_m for opening in self.openings)
        return self.sound_speed_m_s / (2 * pi) * sqrt(conductivity / self.volume_m3)


@dataclass(frozen=True)
class ShearLayer:
    """The layer between the wind and the still air in an opening."""

    length_m: float  # of the opening, along the wind
    sound_speed_m_s: float
    convection: float = 0.57  # κ, speed of eddies over the wind's (Rossiter 1964)
    # Published fits lie within about a tenth of it (engineering judgement).
    convection_range: tuple[float, float] = (0.51, 0.63)
    lag: float = 0.25  # α, in periods (Rossiter 1964; at a length of 4 depths, from memory)
    heat_ratio: float | None = None  # γ, for the temperature in the cavity after Heller and Bliss

    def __post_init__(self) -> None:
        """Refuse what no layer has.

        Raises
        ------
        OpeningError
            A length or speed is not above 0, or κ not within its range and that not within 0 to 1.
        """
        low, high = self.convection_range
        if not (self.length_m > 0 and self.sound_speed_m_s > 0 and 0 <= self.lag < 1):
            raise OpeningError(
                f"a shear layer of {self.length_m:g} m at a speed of sound of "
                f"{self.sound_speed_m_s:g} m/s with a lag of {self.lag:g} cannot be: give a length "
                "and a speed above 0 and a lag from 0 to below 1"
            )
        if not 0 < low <= self.convection <= high <= 1:
            raise OpeningError(
                f"eddies at {self.convection:g} of the wind's speed and a range of {low:g} to "
                f"{high:g} cannot be: give a range within 0 to 1 that holds the value"
            )

    def frequencies_hz(self, speed_m_s: ArrayLike, n_modes: int) -> Array:
        """Return the frequencies of modes 1 to n at each wind speed, ``(..., n_modes)``.

        f = V / L (m - α) / (M + 1/κ); with a heat ratio M / √(1 + (γ-1) M² / 2) in place of M,
        where the cavity is as warm as the stagnating wind.

        Raises
        ------
        OpeningError
            Fewer than one mode is asked for, or a speed is not above 0 and below that of sound.

        References
        ----------
        Rossiter 1964, ARC R&M 3438; Heller and Bliss 1975, AIAA paper 75-491, as transcribed.
        """
        speed = np.asarray(speed_m_s, dtype=np.float64)[..., None]
        if n_modes < 1 or not ((speed > 0) & (speed < self.sound_speed_m_s)).all():
            raise OpeningError(
                f"shear-layer frequencies need at least one mode and speeds above 0 and below "
                f"{self.sound_speed_m_s:g} m/s, got {n_modes} modes and {np.min(speed):g} to "
                f"{np.max(speed):g} m/s"
            )
        mode = np.arange(1, n_modes + 1) - self.lag
        slowness = self._cavity_mach(speed) + 1 / self.convection
        return np.asarray(speed / self.length_m * mode / slowness)

    def _cavity_mach(self, speed_m_s: Array) -> Array:
        """Wind speed over the speed of sound in the cavity."""
        mach = speed_m_s / self.sound_speed_m_s
        if self.heat_ratio is None:
            return mach
        return np.asarray(mach / np.sqrt(1 + (self.heat_ratio - 1) / 2 * mach**2))

    def meeting(self, mode: int, frequency_hz: float) -> Meeting:
        """Return the road speed at which a mode meets a frequency of the cabin.

        With the speeds at the ends of κ's range; fast eddies meet it earlier.

        Raises
        ------
        OpeningError
            The mode is below 1 or the frequency not above 0.
        """
        if mode < 1 or not frequency_hz > 0:
            raise OpeningError(
                f"a meeting needs a mode of 1 or above and a frequency above 0 Hz, got mode {mode} "
                f"and {frequency_hz:g} Hz"
            )
        low, high = self.convection_range
        return Meeting(
            mode,
            frequency_hz,
            self._meeting_m_s(mode, frequency_hz, self.convection),
            self._meeting_m_s(mode, frequency_hz, high),
            self._meeting_m_s(mode, frequency_hz, low),
        )

    def _meeting_m_s(self, mode: int, frequency_hz: float, convection: float) -> float | None:
        """Speed V with V (m - α) = f L (M + 1/κ), None where sound would be slower."""
        from scipy.optimize import brentq

        travel_m_s = frequency_hz * self.length_m / (mode - self.lag)

        def excess(speed_m_s: float) -> float:
            mach = float(self._cavity_mach(np.asarray(speed_m_s)))
            return speed_m_s - travel_m_s * (mach + 1 / convection)

        # Below 0 at rest and convex: it passes 0 once where it ends above.
        if excess(self.sound_speed_m_s) <= 0:
            return None
        return float(brentq(excess, 0.0, self.sound_speed_m_s))


@dataclass(frozen=True)
class Meeting:
    """Where a mode of the shear layer has the frequency of a cabin."""

    mode: int
    frequency_hz: float
    speed_m_s: float | None  # None: not below the speed of sound
    low_m_s: float | None  # where eddies are as fast as κ's range has it
    high_m_s: float | None  # where they are as slow


def meetings(layer: ShearLayer, frequency_hz: float, n_modes: int) -> tuple[Meeting, ...]:
    """Return where modes 1 to n meet a frequency, such as `Cabin.helmholtz_hz`; slowest last.

    Higher modes are weaker, but meet it at lower speeds.

    Raises
    ------
    OpeningError
        The frequency is not above 0.
    """
    return tuple(layer.meeting(mode, frequency_hz) for mode in range(1, n_modes + 1))
