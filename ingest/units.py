"""Text with a unit to a plain SI number; the only place that knows pint."""

from __future__ import annotations

import math
import re
from functools import cache, lru_cache
from threading import RLock
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from ingest.errors import QuantityError

if TYPE_CHECKING:
    from pint import Unit, UnitRegistry

Dimension = Literal[
    "ratio",
    "time",
    "frequency",
    "rotation frequency",
    "angle",
    "angular speed",
    "length",
    "area",
    "volume",
    "speed",
    "acceleration",
    "mass",
    "inertia",
    "force",
    "moment",
    "stiffness",
    "damping",
    "cornering stiffness",
    "roll stiffness",
    "pressure",
    "temperature",
    "density",
    "viscosity",
    "power",
]


class SIUnit(NamedTuple):
    """How a dimension is kept inside the program and shown to the user."""

    unit: str
    example: str


SI_UNITS: dict[Dimension, SIUnit] = {
    "ratio": SIUnit("1", "0.30"),
    "time": SIUnit("s", "5 s"),
    "frequency": SIUnit("Hz", "1 kHz"),
    "rotation frequency": SIUnit("Hz", "900 rpm"),
    "angle": SIUnit("rad", "5 deg"),
    "angular speed": SIUnit("rad/s", "3000 rpm"),
    "length": SIUnit("m", "0.775 m"),
    "area": SIUnit("m^2", "0.194 m^2"),
    "volume": SIUnit("m^3", "300 mm^3"),
    "speed": SIUnit("m/s", "40 m/s"),
    "acceleration": SIUnit("m/s^2", "2 m/s^2"),
    "mass": SIUnit("kg", "1150 kg"),
    "inertia": SIUnit("kg m^2", "1500 kg m^2"),
    "force": SIUnit("N", "250 N"),
    "moment": SIUnit("N m", "120 N m"),
    "stiffness": SIUnit("N/m", "20 kN/m"),
    "damping": SIUnit("N s/m", "1500 N s/m"),
    "cornering stiffness": SIUnit("N/rad", "40 kN/rad"),
    "roll stiffness": SIUnit("N m/rad", "10 kN m/rad"),
    "pressure": SIUnit("Pa", "1006 hPa"),
    "temperature": SIUnit("K", "22 degC"),
    "density": SIUnit("kg/m^3", "998 kg/m^3"),
    "viscosity": SIUnit("Pa s", "1.0e-3 Pa s"),
    "power": SIUnit("W", "74 kW"),
}

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(?![\d.,])\s*(.*?)\s*")
_NEWTON_METRE = re.compile(r"(?<!\w)([kMm]?N)m(?!\w)")  # pint reads "Nm" as a thread count
_COUNT = re.compile(r"(?<!\w)counts?(?!\w)")  # a mere 1 to pint
_GRAVITY = re.compile(r"(?<!\w)g(?!\w)")
_TOWER_OF_POWERS = re.compile(r"(\^|\*\*)[\s(]*[+-]?\d{2}|(\^|\*\*)[^/*]*(\^|\*\*)")
_LONGEST_UNIT = 60  # characters; "kg m^2/(s^2 rad)" has 16
_PINT = RLock()  # pint is no thread's but one's: two that begin at once made two sets of units
_ANGLES = ("radian", "degree", "turn", "revolution", "revolutions_per_minute")


@cache
def _registry() -> UnitRegistry[Any]:
    """Pint's units, with a logger's count as a dimension of its own so gains stay checked."""
    import pint

    registry: UnitRegistry[Any] = pint.UnitRegistry()
    registry.define("logger_count = [logger_count]")
    return registry


@lru_cache(maxsize=1024)
def parse_unit(text: str) -> Unit:
    """Read a unit such as "N/V".

    Raises QuantityError where the text is no unit.
    """
    if len(text) > _LONGEST_UNIT or _TOWER_OF_POWERS.search(text):
        raise QuantityError(text, "a unit such as 'N/V'")
    try:
        with _PINT:
            return _registry().parse_units(_in_pints_words(text))
    except Exception as error:  # pint raises a dozen kinds, AssertionError among them
        raise QuantityError(text, "a unit such as 'N/V'") from error


def _in_pints_words(text: str) -> str:
    text = _COUNT.sub("logger_count", text.replace("·", " "))
    return _NEWTON_METRE.sub(r"\1 m", text)


def split_quantity(text: str) -> tuple[float, str]:
    """Split "250 N/V" into 250.0 and "N/V"; the unit is empty where there is none.

    Raises QuantityError where no finite number with a decimal point leads the text.
    """
    match = _NUMBER.fullmatch(text)
    number = float(match[1]) if match else math.nan
    if not match or not math.isfinite(number):
        raise QuantityError(text, "a number with a decimal point and a unit, such as '1.5 m'")
    return number, match[2]


def parse_quantity(given: str | float, dimension: Dimension) -> float:
    """Convert "130 km/h" to 36.11: the plain SI number of a dimension.

    A plain number is in SI already. "3000 rpm" is 314 rad/s as an angular speed and 50 Hz as a
    frequency; "22 degC" is 295.15 K.

    Raises QuantityError where the text is no quantity or has another dimension.
    """
    if isinstance(given, str):
        return _parse_text(given, dimension)
    value = _plain_number(given)
    if not math.isfinite(value):
        raise QuantityError(given, wanted_quantity(dimension))
    return value


def _plain_number(given: object) -> float:
    """A number that is neither text nor true or false; NaN for anything else."""
    if isinstance(given, bool) or not isinstance(given, int | float):
        return math.nan
    try:
        return float(given)
    except OverflowError:  # an integer beyond the largest float
        return math.inf


@lru_cache(maxsize=4096)
def _parse_text(text: str, dimension: Dimension) -> float:
    try:
        number, unit = split_quantity(text)
        value = _convert(number, unit, dimension)
    except QuantityError as error:
        raise QuantityError(text, wanted_quantity(dimension)) from error
    if not math.isfinite(value):
        raise QuantityError(text, wanted_quantity(dimension))
    return value


def wanted_quantity(dimension: Dimension) -> str:
    """What to write for a dimension, with an example."""
    article = "an" if dimension[0] in "aeiou" else "a"
    return f"{article} {dimension} such as {SI_UNITS[dimension].example!r}"


def _convert(number: float, unit_text: str, dimension: Dimension) -> float:
    if dimension == "acceleration":
        unit_text = with_gravity(unit_text)
    scale, offset = affine_to_si(parse_unit(unit_text), target_unit(unit_text, dimension))
    return number * scale + offset


def with_gravity(unit_text: str) -> str:
    """Read g as standard gravity, not as gram: for accelerations."""
    return _GRAVITY.sub("standard_gravity", unit_text)


def target_unit(unit_text: str, dimension: Dimension) -> str:
    """Unit to convert to: turns a second where a frequency is given by its angular speed."""
    if SI_UNITS[dimension].unit == "Hz" and has_angle(parse_unit(unit_text)):
        return "turn/s"
    return SI_UNITS[dimension].unit


def has_angle(unit: Unit) -> bool:
    """Whether a unit counts turns, degrees or radians."""
    names = [name for name, _ in unit._units.items()]
    return any(name.endswith(angle) for name in names for angle in _ANGLES)


@lru_cache(maxsize=1024)
def affine_to_si(unit: Unit, si_unit: str) -> tuple[float, float]:
    """Scale and offset that carry numbers of a unit to the SI unit: si = scale · x + offset.

    Raises QuantityError where the dimensions differ.
    """
    with _PINT:
        quantity, target = _registry().Quantity, parse_unit(si_unit)
        if not same_dimension(unit, target):
            raise QuantityError(f"{unit:~}", f"a unit like {si_unit}")
        at_zero = float(quantity(0.0, unit).to(target).magnitude)
        at_one = float(quantity(1.0, unit).to(target).magnitude)
        if at_zero == 0.0:
            return at_one, 0.0
        step = f"delta_{unit}"  # 1 degC is 1 K of difference exactly, not 274.15 − 273.15
        return float(quantity(1.0, step).to(target).magnitude), at_zero


def same_dimension(unit: Unit, other: Unit) -> bool:
    """Whether two units measure the same kind of thing."""
    return bool(unit.dimensionality == other.dimensionality)


def spoken(unit: Unit, text: str) -> str:
    """A unit as one says it: "volts" for V, the text itself for a compound."""
    parts = list(unit._units.items())
    if len(parts) == 1 and parts[0][1] == 1:
        return f"{parts[0][0].removeprefix('logger_').replace('_', ' ')}s"
    return text
