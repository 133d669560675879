"""Energy over time as JSON."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from buffet.json_values import Document, number
from buffet.road_speed import NO_ROAD
from buffet.run_spectra import NO_LENGTHS
from buffet.spectral.wavelet import LEVEL, OMEGA_0
from buffet.wavelets.part import QuantityEnergy, RunWavelets

Array = NDArray[np.float64]

# Of the energy over time: finer than any page shows.
MOST_POINTS = 240
NO_BACKGROUND = "too few bins of the spectrum to fit red noise"


def document(found: RunWavelets) -> Document:
    """Figures of every quantity, and its energy in columns of time that all share."""
    duration_s = found.copy.n_samples / found.copy.rate_hz
    edges = np.linspace(0.0, duration_s, MOST_POINTS + 1)
    return {
        "wavelet": f"complex Morlet, omega0 = {OMEGA_0:g}",
        "level": LEVEL,
        "holds_more": list(found.holds_more),
        "lengths_per_s": number(found.lengths_per_s),
        "lengths_why": NO_LENGTHS if found.lengths_per_s is None else None,
        "road_s_per_s": number(found.road_per_s),
        "road_why": NO_ROAD if found.road_per_s is None else None,
        "time_s": (found.copy.start_s + (edges[1:] + edges[:-1]) / 2).tolist(),
        "quantities": [_quantity(found, one, edges) for one in found.quantities],
        "missing": [{"name": name, "why": why} for name, why in found.missing],
    }


def _quantity(found: RunWavelets, one: QuantityEnergy, edges: Array) -> Document:
    energy, noise = one.energy, one.background
    return {
        "name": one.quantity,
        "unit": one.unit,
        "frequency_hz": one.band.centre_hz,
        "band_hz": [one.band.low_hz, one.band.high_hz],
        "band_why": one.band.why,
        "intermittency": energy.intermittency,
        "p_value": one.p_value,
        "steady_noise_to": energy.noise_to,
        "active_share": energy.active_share,
        "red_noise_lag_one": None if noise is None else noise.lag_one,
        "red_noise_step_s": None if noise is None else noise.step_s,
        "level_energy": number(energy.level),
        "level_why": NO_BACKGROUND if energy.level is None else None,
        "share_above": number(energy.share_above),
        "steady_share_above": None if energy.level is None else energy.steady.share_above,
        "longest_above_s": number(energy.longest_above_s),
        "longest_above_road_s": _times(energy.longest_above_s, found.road_per_s),
        "longest_above_lengths": _times(energy.longest_above_s, found.lengths_per_s),
        "longest_below_s": number(energy.longest_below_s),
        "longest_below_road_s": _times(energy.longest_below_s, found.road_per_s),
        "longest_below_lengths": _times(energy.longest_below_s, found.lengths_per_s),
        "steady_longest_below_s": None if energy.level is None else energy.steady.longest_below_s,
        "cone_of_influence_s": energy.influence_s,
        "energy": [number(value) for value in energy.in_columns(edges).tolist()],
        "energy_why": "null where the ends of the record reach: the cone of influence",
    }


def _times(time_s: float | None, factor: float | None) -> float | None:
    return None if time_s is None or factor is None else time_s * factor
