"""The JSON document of a sweep of wind speeds."""

from __future__ import annotations

from buffet.documents import blockage_entries, failures
from buffet.json_values import Document, interval, number
from buffet.run_spectra import NO_LENGTHS, NO_RMS
from buffet.sweep.sweep import ConfigurationSweep, Sweep
from buffet.sweep.tracks import Seen, Track
from buffet.sweep.trend import SETTLED, Trend

ONE_SPEED = "one wind speed"
TWO_SPEEDS = "fewer than three wind speeds that tell it"
RIG = "at all wind speeds but one the rig's part rules, or may stand unseen under another peak"
NOT_CLEAR = "the rig's part rules it, or may stand unseen under another peak"
ONE_RUN = "only one run shows it"


def sweep_document(sweep: Sweep) -> Document:
    """What `sweep` prints."""
    return {
        "format": "buffet/sweep",
        "version": 1,
        **blockage_entries(sweep.analysis.blockage),
        "settled_within": SETTLED,
        "configurations": [_configuration(one) for one in sweep.configurations],
        "left_out": list(sweep.left_out),
        "failed": failures(sweep.analysis.failed),
    }


def _configuration(one: ConfigurationSweep) -> Document:
    return {
        "name": one.configuration,
        "yaw_rad": one.yaw_rad,
        "runs": [run.run.number for run in one.runs],
        "speeds_m_s": list(one.speeds_m_s),
        "reynolds": None if one.reynolds is None else list(one.reynolds),
        "peaks": [_track(track) for track in one.tracks],
        "undecided": [_seen(seen) for seen in one.undecided],
        "rms": [_trend(trend) for trend in one.trends],
    }


def _track(track: Track) -> Document:
    of_hz, of_strouhal = track.spreads
    return {
        "class": track.name,
        "kind": "line" if track.narrow else "broad",
        "source": track.source,
        "frequency_hz": interval(track.frequency_hz),
        "strouhal": interval(track.strouhal),
        "spread_of_frequency": number(of_hz),
        "spread_of_frequency_why": ONE_RUN if of_hz is None else None,
        "spread_of_strouhal": number(of_strouhal),
        "spread_of_strouhal_why": _spread_why(of_hz, of_strouhal),
        "clearest_in": track.clearest[0].quantity,
        "quantities": list(track.quantities),
        "seen": [_seen(seen) for seen in track.seen],
    }


def _spread_why(of_hz: float | None, of_strouhal: float | None) -> str | None:
    if of_strouhal is not None:
        return None
    return ONE_RUN if of_hz is None else NO_LENGTHS


def _seen(seen: Seen) -> Document:
    return {
        "run": seen.run,
        "quantity": seen.quantity,
        "speed_m_s": seen.speed_m_s,
        "frequency_hz": interval(seen.peak.frequency_hz),
        "strouhal": interval(seen.strouhal),
        "bandwidth_hz": interval(seen.peak.bandwidth_hz),
        "rms": interval(seen.peak.rms),
        "why": seen.kind.why,
    }


def _why_no_change(trend: Trend) -> str | None:
    if trend.per_doubling is not None:
        return None
    return ONE_SPEED if trend.statement == "one speed" else RIG


def _trend(trend: Trend) -> Document:
    return {
        "quantity": trend.quantity,
        "measures": trend.measures,
        "unit": trend.unit,
        "up_to_frequency_over_speed_per_m": trend.up_to_per_m,
        "up_to_strouhal": number(trend.strouhal),
        "up_to_strouhal_why": NO_LENGTHS if trend.strouhal is None else None,
        "points": [
            {
                "run": point.run,
                "speed_m_s": point.speed_m_s,
                "reynolds": number(point.reynolds),
                "rms": interval(point.rms),
                "whole_rms": interval(point.whole_rms),
                "whole_rms_why": NO_RMS if point.whole_rms is None else None,
                "taken_out_share": number(point.taken_out),
                "unseen_share": number(point.unseen),
                "counts": point.counts,
                "counts_why": None if point.counts else NOT_CLEAR,
            }
            for point in trend.points
        ],
        "change_per_doubling": interval(trend.per_doubling),
        "change_per_doubling_why": _why_no_change(trend),
        "change_per_doubling_at_top": interval(trend.per_doubling_at_top),
        "change_per_doubling_at_top_why": TWO_SPEEDS if trend.per_doubling_at_top is None else None,
        "p_value": number(trend.p_value),
        "statement": trend.statement,
    }
