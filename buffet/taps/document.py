"""What the taps of a run show together, as JSON."""

from __future__ import annotations

import numpy as np

from buffet.json_values import Document, interval, number
from buffet.run_spectra import NO_RMS
from buffet.spectral.pod import ModeAtFrequency
from buffet.taps.coefficients import TapValues
from buffet.taps.convection import BareRow, RowConvection, Travel
from buffet.taps.modes import TapModes
from buffet.taps.part import RunTaps

NO_PEAK = "no peak of its taps is significant"


def document(taps: RunTaps) -> Document:
    """Taps, modes and rows."""
    return {
        "taps": [_tap(one) for one in taps.values],
        "holds_lines": taps.holds_lines,
        "observed_hold_more": list(taps.observed_hold),
        "never_changed": list(taps.dead),
        "modes": None if taps.modes is None else _modes(taps.modes),
        "modes_why": taps.modes_why,
        "rows": [_row(row) for row in taps.rows],
    }


def _tap(one: TapValues) -> Document:
    return {
        "name": one.name,
        "unit": one.unit,
        "at_m": None if one.at_m is None else list(one.at_m),
        "at_why": "the run sheet states no place" if one.at_m is None else None,
        "row": one.row,
        "mean": interval(one.mean),
        "rms": interval(one.rms),
        "rms_why": NO_RMS if one.rms is None else None,
        "largest_observed": number(one.largest),
        "smallest_observed": number(one.smallest),
        "observed_to_hz": number(one.peaks_to_hz),
        "observed_why": one.peaks_why,
    }


def _modes(modes: TapModes) -> Document:
    space, spectral = modes.space, modes.spectral
    return {
        "taps": list(modes.names),
        "weights": "all taps count alike",
        "to_hz": modes.to_hz,
        "averages": modes.averages,
        "noise_removed": modes.noise_removed,
        "space": [
            {
                "variance": float(space.variance[k]),
                "share": interval(share),
                "share_interval": "North et al. 1982",
                "apart_from_next": bool(space.apart[k]),
                "frequency_hz": float(space.frequency_hz[k]),
                "shape": space.shape[:, k].tolist(),
            }
            for k, share in enumerate(modes.shares)
        ],
        "bands": [
            {
                "low_hz": band.low_hz,
                "high_hz": band.high_hz,
                "shares": list(band.shares),
                "unrelated_taps_share": band.chance,
            }
            for band in modes.bands
        ],
        "frequency_hz": spectral.frequency_hz.tolist(),
        "eigenvalues": spectral.density.tolist(),
        "total": spectral.total.tolist(),
        "peaks": [_peak(peak) for peak in modes.peaks],
    }


def _peak(peak: ModeAtFrequency) -> Document:
    return {
        "frequency_hz": peak.frequency_hz,
        "share": peak.share,
        "unrelated_taps_share": peak.chance,
        "averages": peak.averages,
        "amplitude": np.abs(peak.shape).tolist(),
        "lead_rad": np.angle(peak.shape).tolist(),
    }


def _row(row: RowConvection | BareRow) -> Document:
    if isinstance(row, BareRow):
        return {"name": row.name, "travel": None, "travel_why": row.why}
    return {
        "name": row.name,
        "taps": list(row.taps),
        "places_m": list(row.places_m),
        "direction": row.direction,
        "band_hz": list(row.band_hz),
        "neighbours_coherence": row.coherence,
        "unrelated_coherence": row.chance,
        "travel": _travel(row.travel),
        "travel_why": None,
        "peak_hz": number(row.peak_hz),
        "at_peak": None if row.at_peak is None else _travel(row.at_peak),
        "at_peak_why": NO_PEAK if row.at_peak is None else None,
        "pairs": [
            {
                "distance_m": pair.distance_m,
                "delay_s": pair.delay_s,
                "standard_deviation_s": pair.deviation_s,
            }
            for pair in row.pairs
        ],
    }


def _travel(travel: Travel) -> Document:
    return {
        "speed_m_s": interval(travel.speed_m_s),
        "over_wind_speed": interval(travel.over_wind),
        "speed_why": travel.why,
        "end_to_end_delay_s": interval(travel.delay_s),
        "deviance_over_freedom": number(travel.misfit),
    }
