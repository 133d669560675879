"""ISO 8608's classes as printed, and the class in which a road lies."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from buffet.vehicle import GOOD_MOTORWAY, ROAD_CLASSES, Road, class_of

PUBLISHED = Path(__file__).parents[1] / "published"
MICRO = 1e-6  # the table's unit, m³
with (PUBLISHED / "road_classes.csv").open(encoding="utf-8", newline="") as file:
    PRINTED = list(csv.DictReader(file))


def as_printed(value_m3: float | None) -> str:
    """Whole millionths of a cubic metre; nothing where there is no limit."""
    return "" if value_m3 is None else str(round(value_m3 / MICRO))


def test_all_limits_and_means_are_those_printed() -> None:
    """Each of the eight classes with lower limit, geometric mean and upper limit."""
    found = [
        (one.name, as_printed(one.lower_m3), as_printed(one.mean_m3), as_printed(one.upper_m3))
        for one in ROAD_CLASSES
    ]

    assert found == [
        (row["class"], row["lower"], row["geometric_mean"], row["upper"]) for row in PRINTED
    ]


@pytest.mark.parametrize("row", PRINTED, ids=[row["class"] for row in PRINTED])
def test_a_road_between_the_printed_limits_is_of_the_class(row: dict[str, str]) -> None:
    """At its mean, and a hundredth inside either limit."""
    inside = [float(row["geometric_mean"])]
    inside += [float(row["lower"]) * 1.01] if row["lower"] else []
    inside += [float(row["upper"]) * 0.99] if row["upper"] else []

    assert {class_of(value * MICRO) for value in inside} == {row["class"]}
    assert {Road(value * MICRO).road_class for value in inside} == {row["class"]}


def test_a_good_motorway_is_of_the_best_class() -> None:
    """4e-6 m³ lie below class A's mean, and A has no lower limit."""
    assert GOOD_MOTORWAY.road_class == "A"
