"""From a channel's unit and gain as written to one straight line in SI."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.channel import FORCES, MOMENTS, PRESSURES, Measures
from ingest.errors import QuantityError
from ingest.units import (
    SI_UNITS,
    Dimension,
    affine_to_si,
    has_angle,
    parse_unit,
    same_dimension,
    split_quantity,
    spoken,
    with_gravity,
)

_DIMENSION_OF: dict[str, Dimension] = {
    **dict.fromkeys(FORCES, "force"),
    **dict.fromkeys(MOMENTS, "moment"),
    **dict.fromkeys((*PRESSURES, "dynamic pressure", "static pressure"), "pressure"),
    **dict.fromkeys(("velocity", "air speed"), "speed"),
    "acceleration": "acceleration",
    "temperature": "temperature",
}  # bridge, reference and other may be anything

# SI units for channels that may measure anything, first match wins.
_PREFERRED_UNITS = ("1", "V", "Pa", "N", "N m", "m/s", "m/s^2", "m", "K", "A", "kg", "count", "Hz")


class CalibrationFault(Exception):
    """Which key of a channel is at fault, and why."""

    def __init__(self, key: str, problem: str) -> None:
        super().__init__(key, problem)
        self.key = key
        self.problem = problem


@dataclass(frozen=True)
class StraightLine:
    """SI value = scale · raw + offset."""

    scale: float
    offset: float
    unit: str  # of the SI value
    full_scale_raw: float | None


def straight_line(
    measures: Measures,
    unit: str,
    gain: str | float | None = None,
    offset: str | float | None = None,
    full_scale: str | float | None = None,
) -> StraightLine:
    """Turn a channel's unit, gain, offset and full scale as written into one line in SI.

    The offset is the reading at zero, in the recording's unit, or the value at a zero reading,
    in the gain's; its dimension says which. Plain numbers are SI.

    Raises CalibrationFault where a dimension does not fit.
    """
    raw_scale, raw_offset, raw_unit = _si_of_reading(unit, measures)
    if gain is None:
        if offset is not None:
            raise CalibrationFault("offset", "only goes with a gain; remove it or state the gain")
        scale, shift, si_unit = raw_scale, raw_offset, _checked_unit(measures, unit, raw_unit)
    else:
        per_raw, si_unit = _gain(measures, unit, raw_unit, gain)
        scale = raw_scale * per_raw
        shift = per_raw * raw_offset + _shift(unit, raw_unit, si_unit, per_raw, offset)
    return StraightLine(scale, shift, si_unit, _full_scale(unit, raw_unit, full_scale))


def _si_of_reading(unit: str, measures: Measures) -> tuple[float, float, str]:
    """Scale and offset from the recording's unit to SI, and that SI unit."""
    try:
        parsed = parse_unit(with_gravity(unit) if measures == "acceleration" else unit)
    except QuantityError as error:
        raise CalibrationFault("unit", str(error)) from error
    if has_angle(parsed) and same_dimension(parsed, parse_unit("Hz")):
        si_unit = "rad/s"
    else:
        like = [u for u in _PREFERRED_UNITS if same_dimension(parsed, parse_unit(u))]
        si_unit = like[0] if like else unit
    return *affine_to_si(parsed, si_unit), si_unit


def _checked_unit(measures: Measures, unit: str, raw_unit: str) -> str:
    """The SI unit of a channel without a gain, refused where it cannot be what it measures."""
    dimension = _DIMENSION_OF.get(measures)
    if dimension is None or raw_unit == SI_UNITS[dimension].unit:
        return raw_unit
    if unit.strip() == "1" and measures in (*FORCES, *MOMENTS, *PRESSURES):
        return "1"
    wanted = SI_UNITS[dimension].unit
    said = spoken(parse_unit(unit), unit)
    raise CalibrationFault(
        "unit",
        f"{_a(measures)} channel in {said} needs a gain in {_per(wanted, unit)}, "
        f"or a unit like {wanted}, got unit {unit!r} and no gain",
    )


def _gain(measures: Measures, unit: str, raw_unit: str, gain: str | float) -> tuple[float, str]:
    """SI value per SI unit of the reading, and the unit of that value."""
    dimension = _DIMENSION_OF.get(measures)
    if not isinstance(gain, str):
        return float(gain), SI_UNITS[dimension].unit if dimension else raw_unit
    try:
        number, text = split_quantity(gain)
        text = with_gravity(text) if measures == "acceleration" else text
        given = parse_unit(text)
    except QuantityError as error:
        raise CalibrationFault("gain", str(error)) from error
    if number == 0.0:
        raise CalibrationFault("gain", f"must not be zero, got {gain!r}")
    if dimension is None:
        return _free_gain(number, text, raw_unit)
    for si_unit in _possible_units(measures, dimension, unit, raw_unit):
        wanted = parse_unit(_per(si_unit, raw_unit))
        if same_dimension(given, wanted):
            return number * affine_to_si(given, _per(si_unit, raw_unit))[0], si_unit
    said = spoken(parse_unit(unit), unit)
    wanted_text = _per(SI_UNITS[dimension].unit, unit)
    raise CalibrationFault(
        "gain",
        f"gain of {_a(measures)} channel in {said} must be {wanted_text}, got {text or '1'}",
    )


def _possible_units(
    measures: Measures, dimension: Dimension, unit: str, raw_unit: str
) -> tuple[str, ...]:
    """What a gain may lead to: the SI unit, or a coefficient where one makes sense."""
    si_unit = SI_UNITS[dimension].unit
    is_ratio = raw_unit == "1" and unit.strip() != "1"  # mV/V times a number is no coefficient
    if is_ratio or measures not in (*FORCES, *MOMENTS, *PRESSURES):
        return (si_unit,)
    return si_unit, "1"


def _a(measures: str) -> str:
    return f"an {measures}" if measures[0] in "aeiou" else f"a {measures}"


def _free_gain(number: float, text: str, raw_unit: str) -> tuple[float, str]:
    """Gain of a channel that may measure anything: to the first preferred unit that fits."""
    given = parse_unit(text)
    for si_unit in _PREFERRED_UNITS:
        wanted = _per(si_unit, raw_unit)
        if same_dimension(given, parse_unit(wanted)):
            return number * affine_to_si(given, wanted)[0], si_unit
    return number, f"({raw_unit}) ({text})"


def _per(unit: str, raw_unit: str) -> str:
    """Unit of a gain: "N/V", "N/(mV/V)", or the unit itself for a plain ratio."""
    if raw_unit.strip() in ("1", ""):
        return unit
    compound = any(sign in raw_unit for sign in " /*")
    return f"{unit}/({raw_unit})" if compound else f"{unit}/{raw_unit}"


def _shift(
    unit: str, raw_unit: str, si_unit: str, per_raw: float, offset: str | float | None
) -> float:
    """SI value at a zero reading."""
    if offset is None:
        return 0.0
    if not isinstance(offset, str):
        return -per_raw * float(offset)
    as_reading = _in_unit(offset, raw_unit)
    if as_reading is not None:
        return -per_raw * as_reading
    as_value = _in_unit(offset, si_unit)
    if as_value is not None:
        return as_value
    raise CalibrationFault(
        "offset",
        f"must be the reading at zero in {unit} or the value at a zero reading in {si_unit}, "
        f"got {offset!r}",
    )


def _in_unit(text: str, si_unit: str) -> float | None:
    """The number of a quantity in an SI unit, None where it measures something else."""
    try:
        number, unit = split_quantity(text)
        scale, offset = affine_to_si(parse_unit(unit), si_unit)
    except QuantityError:
        return None
    return number * scale + offset


def _full_scale(unit: str, raw_unit: str, full_scale: str | float | None) -> float | None:
    """Full scale in the recording's own unit, where the clipping check compares it."""
    if full_scale is None:
        return None
    in_si = _in_unit(full_scale, raw_unit) if isinstance(full_scale, str) else float(full_scale)
    if in_si is None:
        problem = f"full scale must be in the recording's unit {unit}, got {full_scale!r}"
        raise CalibrationFault("full_scale", problem)
    scale, offset = affine_to_si(parse_unit(unit), raw_unit)
    raw = (in_si - offset) / scale
    if raw <= 0.0:
        raise CalibrationFault("full_scale", f"must be above zero, got {full_scale!r}")
    return raw
