"""What turns in the tunnel and under the car, and at which rate: fan, belt and wheels."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import pi


@dataclass(frozen=True)
class Rotation:
    """Stated rates and sizes of what turns; None where nothing is stated."""

    fan_hz: float | None = None  # turns of the shaft a second
    blades: int | None = None
    belt_length_m: float | None = None  # of the whole loop
    belt_speed_m_s: float | None = None  # None: the wind's
    wheel_diameter_m: float | None = None  # of the model's wheels

    def completed_by(self, other: Rotation) -> Rotation:
        """What is not stated here is taken from `other`, key by key."""
        gaps = [field.name for field in fields(self) if getattr(self, field.name) is None]
        return replace(self, **{name: getattr(other, name) for name in gaps})

    def blade_passing_hz(self) -> float | None:
        """Blades of the fan that pass a second; None where fan speed or blades are not stated."""
        if self.fan_hz is None or self.blades is None:
            return None
        return self.fan_hz * self.blades

    def belt_passing_hz(self, wind_m_s: float | None) -> float | None:
        """Turns of the belt's loop a second; None where length or speed are not known."""
        speed_m_s = self._ground_m_s(wind_m_s)
        if speed_m_s is None or self.belt_length_m is None:
            return None
        return speed_m_s / self.belt_length_m

    def wheel_hz(self, wind_m_s: float | None) -> float | None:
        """Turns of a wheel that rolls on the belt a second; None where this is not known."""
        speed_m_s = self._ground_m_s(wind_m_s)
        if speed_m_s is None or self.wheel_diameter_m is None:
            return None
        return speed_m_s / (pi * self.wheel_diameter_m)

    def _ground_m_s(self, wind_m_s: float | None) -> float | None:
        return wind_m_s if self.belt_speed_m_s is None else self.belt_speed_m_s
