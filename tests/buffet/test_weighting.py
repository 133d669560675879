"""The weightings against the printed tables of ISO 8041-1 and ISO 2631-1."""

import csv
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from buffet.perception import WEIGHTING_NAMES, WeightingName, weighting

PUBLISHED = Path(__file__).parents[1] / "published"

# Both transcriptions carry 212 for Wd at 10 Hz; ISO 8041-1 and the formula have 202.
MISPRINTS = {("Wd", "10")}
# Printed cut off, not rounded: 484.55 and 768.70.
CUT_OFF = {("Wk", "1.25"), ("Wk", "16")}


def _rows(file: str) -> list[dict[str, str]]:
    with (PUBLISHED / file).open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def _half_a_last_digit(printed: str) -> float:
    decimals = len(printed.partition(".")[2])
    return float(0.5 * 10.0**-decimals)


ANNEX_B = _rows("iso_8041_factors.csv")
NOMINAL = _rows("iso_2631_1_factors.csv")


def _exact(row: dict[str, str]) -> complex:
    name = cast("WeightingName", row["weighting"])
    return complex(weighting(name, 10 ** (int(row["n"]) / 10)))


@pytest.mark.parametrize("name", WEIGHTING_NAMES)
def test_every_annex_b_factor_is_reproduced_as_printed(name: WeightingName) -> None:
    """All rows of a weighting agree at the exact centres to half the last digit."""
    rows = [row for row in ANNEX_B if row["weighting"] == name]

    assert len(rows) == (21 if name == "Wf" else 37)
    for row in rows:
        expected = float(row["factor"])
        tolerance = _half_a_last_digit(row["factor"])
        assert abs(_exact(row)) == pytest.approx(expected, rel=0, abs=tolerance), row


@pytest.mark.parametrize("name", ["Wk", "Wd"])
def test_annex_b_phases_are_reproduced_as_printed(name: str) -> None:
    """The phase agrees to half the last digit, so the sign of time is right."""
    rows = [row for row in ANNEX_B if row["weighting"] == name and row["phase_deg"]]

    assert len(rows) == 37
    for row in rows:
        printed = float(row["phase_deg"])
        apart = np.degrees(np.angle(_exact(row) * np.exp(-1j * np.radians(printed))))
        assert abs(apart) <= _half_a_last_digit(row["phase_deg"]), row


@pytest.mark.parametrize("name", ["Wc", "Wd", "We", "Wf", "Wk"])
def test_iso_2631_tables_are_reproduced_at_nominal_frequencies(name: WeightingName) -> None:
    """The older tables agree at nominal frequencies to half the last digit."""
    rows = [row for row in NOMINAL if row["weighting"] == name]

    assert len(rows) == (24 if name == "Wf" else 30)
    for row in rows:
        key = (name, row["nominal_hz"])
        if key in MISPRINTS:
            continue
        tolerance = _half_a_last_digit(row["factor_x1000"]) * (2 if key in CUT_OFF else 1)
        found = 1000 * abs(complex(weighting(name, float(row["nominal_hz"]))))
        assert found == pytest.approx(float(row["factor_x1000"]), rel=0, abs=tolerance), row


def test_the_misprint_of_iso_2631_contradicts_iso_8041() -> None:
    """Wd at 10 Hz stands as 212 in one standard and 0.2017 in the other; we follow the latter."""
    row = next(r for r in ANNEX_B if r["weighting"] == "Wd" and r["n"] == "10")

    assert float(row["factor"]) == 0.2017
    assert abs(complex(weighting("Wd", 10.0))) == pytest.approx(0.2017, abs=5e-5)


@pytest.mark.parametrize(
    ("name", "factor"),
    [("Wc", 0.5145), ("Wd", 0.1261)],
)
def test_reference_frequency_factors(name: WeightingName, factor: float) -> None:
    """At 100 rad/s the factors are those of ISO 8041-1:2017 Table 1."""
    assert abs(complex(weighting(name, 100 / (2 * np.pi)))) == pytest.approx(factor, abs=5e-5)


def test_tables_are_finer_than_a_tenth_of_their_smallest_value() -> None:
    """No printed factor is so coarse that the comparison could not fail."""
    for row in ANNEX_B:
        assert _half_a_last_digit(row["factor"]) < 0.1 * float(row["factor"]), row


@pytest.mark.parametrize("name", WEIGHTING_NAMES)
def test_steady_acceleration_is_not_felt(name: WeightingName) -> None:
    """At 0 Hz every weighting is zero, without a warning, and a negative frequency mirrors."""
    assert weighting(name, 0.0) == 0
    assert complex(weighting(name, -3.0)) == pytest.approx(
        complex(weighting(name, 3.0)).conjugate(), rel=1e-12
    )


def test_shape_follows_the_frequencies() -> None:
    """An array of frequencies gives an array of the same shape."""
    assert weighting("Wk", np.ones((2, 3))).shape == (2, 3)


def test_unknown_weighting_is_refused() -> None:
    """A wrong name is answered with those that exist."""
    with pytest.raises(ValueError, match=r"no frequency weighting is called 'Wx'.*choose Wk"):
        weighting(cast("WeightingName", "Wx"), 1.0)
