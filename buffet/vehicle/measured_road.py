"""A road as it was measured: its own spectrum where that was resolved, ISO 8608's form beyond."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.errors import RoadError
from buffet.vehicle.road import REFERENCE_WAVENUMBER_CYCLE_M, WAVINESS, Road
from buffet.vehicle.road_classes import ROUGHEST_M3, SMOOTHEST_M3
from buffet.vehicle.road_coherence import isotropic_coherence
from buffet.vehicle.road_profile import Profile, read_profile
from buffet.vehicle.road_spectrum import ProfileSpectrum, fitted_line, profile_spectrum

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasuredRoad(Road):
    """A road with a spectrum of its own; G(n0) and waviness are those of a line through it."""

    profile: Profile
    spectrum: ProfileSpectrum

    @property
    def resolved_cycle_m(self) -> tuple[float, float]:
        """Lowest and highest wavenumber that the profile tells."""
        wavenumber = self.spectrum.wavenumber_cycle_m
        return float(wavenumber[0]), float(wavenumber[-1])

    @property
    def sha256(self) -> str:
        """Of the profile's bytes, hex."""
        return self.profile.sha256

    @property
    def remark(self) -> str:
        """What was measured, and how it is carried on."""
        low, high = self.resolved_cycle_m
        return (
            f"Measured over {self.profile.length_m:.4g} m, waves of {1 / low:.3g} to "
            f"{1 / high:.2g} m; longer and shorter ones are continued with ISO 8608's exponent "
            f"of {WAVINESS:g}"
        )

    @property
    def tracks_are(self) -> str:
        """Measured where the profile has both."""
        return super().tracks_are if self.spectrum.coherence is None else "as measured"

    def displacement_psd(self, wavenumber_cycle_m: ArrayLike) -> Array:
        """Return the one-sided PSD of height over wavenumber (cycle/m, above 0), m³.

        The slope's PSD is interpolated, since it varies least. Beyond the resolved waves it keeps
        its mean over the last octave, which is ISO 8608's form with w = 2.
        """
        wavenumber = np.asarray(wavenumber_cycle_m, dtype=np.float64)
        known, slope = self.spectrum.wavenumber_cycle_m, self.spectrum.slope_psd_m
        low, high = self.resolved_cycle_m
        found = np.interp(
            wavenumber,
            known,
            slope,
            left=float(slope[known <= 2 * low].mean()),
            right=float(slope[known >= high / 2].mean()),
        )
        return np.asarray(found / (2 * np.pi * wavenumber) ** 2)

    def coherence(self, wavenumber_cycle_m: ArrayLike, distance_m: float) -> Array:
        """Return the cross-PSD of both tracks over their PSD, as measured; else isotropic.

        What was measured is taken for the car's tracks, whatever their distance; beyond the
        resolved waves, and without a second track, the surface is taken as isotropic.
        """
        wavenumber = np.asarray(wavenumber_cycle_m, dtype=np.float64)
        isotropic = isotropic_coherence(wavenumber, distance_m, WAVINESS)
        if self.spectrum.coherence is None:
            return isotropic
        low, high = self.resolved_cycle_m
        known = np.interp(wavenumber, self.spectrum.wavenumber_cycle_m, self.spectrum.coherence)
        inside = (wavenumber >= low) & (wavenumber <= high)
        return np.asarray(np.where(inside, known, isotropic))


def measured_road(path: Path) -> MeasuredRoad:
    """Read a profile and take it for the road.

    Raises
    ------
    RoadError
        The file holds no profile of a road, or too little of one.
    """
    profile = read_profile(path)
    spectrum = profile_spectrum(profile)
    unevenness_m3, waviness = fitted_line(spectrum, REFERENCE_WAVENUMBER_CYCLE_M)
    if not SMOOTHEST_M3 <= unevenness_m3 <= ROUGHEST_M3:
        raise RoadError(
            f"{path}: its unevenness G(n0) is {unevenness_m3:.2g} m³; wanted {SMOOTHEST_M3:g} to "
            f"{ROUGHEST_M3:g} m³, a good motorway has 4e-06 m³: are the columns' units right?"
        )
    return MeasuredRoad(
        unevenness_m3, waviness, f"measured, {profile.file}", profile=profile, spectrum=spectrum
    )
