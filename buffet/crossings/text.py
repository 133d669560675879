"""Crossings in words."""

from __future__ import annotations

from buffet.crossings.meeting import Crossing, Crossings
from buffet.crossings.rays import Ray
from buffet.interval import Interval
from buffet.spectral.tracks import SCALES

KM_H = 3.6


def crossings_text(found: Crossings, speed_m_s: float) -> str:
    """What a rated speed lies on, and the nearest crossing; empty where no peak was followed."""
    if not found.rays:
        return ""
    told = [_sentence(one, speed_m_s, found) for one in found.told(speed_m_s)]
    if not told:
        low, high = found.searched_m_s
        between = f"between {low * KM_H:.0f} and {high * KM_H:.0f} km/h"
        return f"No peak of the wake meets a mode of the car {between}."
    return " ".join(told)


def ray_text(ray: Ray) -> str:
    """ "the peak in lift (St 0.200)"."""
    taken = "" if ray.name == SCALES else ", taken to scale"
    return f"the peak in {ray.component} (St {ray.strouhal.value:.3f}{taken})"


def crossing_text(one: Crossing) -> str:
    """ "meets the pitch mode (1.6 Hz) at 42.8 (42.6…43.1) km/h"; or what else it does."""
    mode = f"the {one.mode} mode ({one.mode_frequency_hz:.1f} Hz)"
    if one.speed_m_s is None:
        return f"reaches the band of {mode}, not its middle"
    return f"meets {mode} at {_km_h(one.speed_m_s)} km/h"


def _sentence(one: Crossing, speed_m_s: float, found: Crossings) -> str:
    text = ray_text(one.ray)
    overlap = f"their bands overlap {_overlap(one, found)}"
    here = f", so at {speed_m_s * KM_H:.0f} km/h too" if one.at_rated_speed else ""
    return f"{text[0].upper()}{text[1:]} {crossing_text(one)}; {overlap}{here}."


def _overlap(one: Crossing, found: Crossings) -> str:
    """ "from 30 to 60 km/h"; no limit where the search ends before it."""
    low, high = (speed * KM_H for speed in one.overlap_m_s)
    ends = [speed * KM_H for speed in found.searched_m_s]
    if low <= ends[0] and high >= ends[1]:
        return f"from {low:.0f} km/h or less to {high:.0f} km/h or more"
    if low <= ends[0]:
        return f"up to {high:.0f} km/h"
    return f"from {low:.0f} km/h on" if high >= ends[1] else f"from {low:.0f} to {high:.0f} km/h"


def _km_h(speed: Interval) -> str:
    low, high = ("?" if end is None else f"{end * KM_H:.1f}" for end in (speed.low, speed.high))
    return f"{speed.value * KM_H:.1f} ({low}…{high})"
