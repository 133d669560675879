"""Text with a unit becomes the SI number that its dimension asks for, or a clear refusal."""

import math
import subprocess
import sys

import pytest

from ingest.errors import QuantityError
from ingest.units import SI_UNITS, Dimension, parse_quantity, parse_unit

# Expected values: definitions of the units (BIPM SI brochure; 1 psi = 6894.757 Pa, NIST SP 811).
CASES: list[tuple[str | float, Dimension, float]] = [
    ("130 km/h", "speed", 130 / 3.6),
    ("60 mph", "speed", 26.8224),
    (40, "speed", 40.0),
    ("22 degC", "temperature", 295.15),
    ("-5 °C", "temperature", 268.15),
    ("295 K", "temperature", 295.0),
    ("3000 rpm", "angular speed", 100 * math.pi),
    ("3000 rpm", "frequency", 50.0),
    ("3000 rpm", "rotation frequency", 50.0),
    ("100 rad/s", "rotation frequency", 50 / math.pi),
    ("50 Hz", "rotation frequency", 50.0),
    ("6.283185307179586 rad/s", "frequency", 1.0),
    ("1 kHz", "frequency", 1000.0),
    ("20 1/s", "frequency", 20.0),
    ("1006 hPa", "pressure", 100600.0),
    ("1 psi", "pressure", 6894.757),
    ("120 Nm", "moment", 120.0),
    ("1.5 kNm", "moment", 1500.0),
    ("120 N·m", "moment", 120.0),
    ("10 kN m/rad", "roll stiffness", 10000.0),
    ("40 kN/rad", "cornering stiffness", 40000.0),
    ("0.5 g", "acceleration", 4.903325),
    ("0.194 m²", "area", 0.194),
    ("300 mm^3", "volume", 3e-7),
    ("1.0e-3 Pa s", "viscosity", 1e-3),
    ("0.40", "ratio", 0.40),
    ("40 %", "ratio", 0.40),
    ("180 deg", "angle", math.pi),
    (".5 m", "length", 0.5),
    ("35mm", "length", 0.035),
]


@pytest.mark.parametrize(("given", "dimension", "expected"), CASES)
def test_quantity_becomes_si(given: str | float, dimension: Dimension, expected: float) -> None:
    """Each text is worth what the unit's definition says."""
    assert parse_quantity(given, dimension) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize(
    ("given", "dimension"),
    [
        ("40 m", "speed"),
        ("40", "speed"),
        ("fast", "speed"),
        ("40 m/S", "speed"),
        ("40 foo/s", "speed"),
        ("40 m/10s", "speed"),
        ("", "length"),
        ("0,5 m", "length"),
        ("1,000 m", "length"),
        ("1.2.3 m", "length"),
        ("nan m", "length"),
        ("1e999 m", "length"),
        ("2 m**9**9", "length"),
        ("2 m^99", "length"),
        ("2 m*", "length"),
        (True, "length"),
        (math.inf, "length"),
        ("12 N/count", "force"),
    ],
)
def test_refusal_states_what_was_given_and_what_is_wanted(
    given: str | float, dimension: Dimension
) -> None:
    """The message repeats the text and shows an example that would work."""
    with pytest.raises(QuantityError) as caught:
        parse_quantity(given, dimension)

    assert f"got {given!r}; wanted a" in str(caught.value)
    assert repr(SI_UNITS[dimension].example) in str(caught.value)


@pytest.mark.parametrize("dimension", SI_UNITS)
def test_every_example_is_a_quantity_of_its_own_dimension(dimension: Dimension) -> None:
    """What a message proposes is accepted, and not as zero."""
    assert parse_quantity(SI_UNITS[dimension].example, dimension) > 0


def test_a_long_text_is_no_unit() -> None:
    """Text too long for a unit is refused before it is parsed."""
    with pytest.raises(QuantityError, match="wanted a unit such as 'N/V'"):
        parse_unit("m " * 40)


def test_many_threads_may_begin_at_once() -> None:
    """In a fresh interpreter, where the first of them makes the set of units for all."""
    text = (
        "from concurrent.futures import ThreadPoolExecutor\n"
        "from threading import Barrier\n"
        "from ingest import parse_quantity\n"
        "begin = Barrier(8)\n"
        "def one(number):\n"
        "    begin.wait()\n"
        "    return parse_quantity(f'{number} m^2', 'area')\n"
        "with ThreadPoolExecutor(8) as pool:\n"
        "    assert list(pool.map(one, range(8))) == list(range(8))\n"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
