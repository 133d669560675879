"""Stated air that cannot be, and what was meant: degrees Celsius as kelvin, hPa as Pa."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ingest.air import PLAUSIBLE_PRESSURE_PA, PLAUSIBLE_TEMPERATURE_K, is_plausible
from ingest.errors import QuantityError
from ingest.units import Dimension, parse_quantity, split_quantity

_DIMENSIONS: dict[str, Dimension] = {"temperature": "temperature", "static_pressure": "pressure"}
# Units a number is usually meant in, likeliest first.
_MEANT = {"temperature": ("degC", "K", "degF"), "static_pressure": ("hPa", "kPa", "mbar", "bar")}
_WANTED = {
    "temperature": "{:g} to {:g} K".format(*PLAUSIBLE_TEMPERATURE_K),
    "static_pressure": "{:g} to {:g} kPa".format(*(1e-3 * pa for pa in PLAUSIBLE_PRESSURE_PA)),
}
_UNITS = {"temperature": "K", "static_pressure": "Pa"}


def implausible_air(air: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Key and problem of each condition of an [air] table that air cannot have.

    A fluid whose density and viscosity are stated may be anything; where only the density is,
    the viscosity still follows from the temperature.
    """
    if "density" not in air:
        yield from _problem(air, "static_pressure")
    if "density" not in air or "viscosity" not in air:
        yield from _problem(air, "temperature")


def _problem(air: Mapping[str, Any], key: str) -> Iterator[tuple[str, str]]:
    given: Any = air.get(key)
    value = _in_si(given, key)
    if value is None or value <= 0.0 or is_plausible(key.replace("_", " "), value):
        return  # what is no quantity, or not above zero, is told as such
    si = f"{value:.10g} {_UNITS[key]}"
    written = si
    if isinstance(given, str):
        written = f"{given!r}" if given == si else f"{given!r}, which is {si}"
    yield key, f"got {written}; wanted {_WANTED[key]}{_remark(given, key)}"


def _in_si(given: Any, key: str) -> float | None:
    try:
        return parse_quantity(given, _DIMENSIONS[key])
    except QuantityError:
        return None


def _remark(given: str | float, key: str) -> str:
    """The unit in which the number would be plausible."""
    number = split_quantity(given)[0] if isinstance(given, str) else given
    for unit in _MEANT[key]:
        meant = f"{number:.10g} {unit}"
        value = _in_si(meant, key)
        if value is not None and is_plausible(key.replace("_", " "), value):
            if unit == "degC":
                return f'; write "{meant}" for degrees Celsius'
            return f'; did you mean "{meant}"?'
    return ""
