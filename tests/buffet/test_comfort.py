"""Comfort after ISO 2631-1: totals, overlapping reactions, perception."""

from typing import cast

import numpy as np
import pytest

from buffet.perception import COMFORT_AXES, PERCEPTION, REACTIONS, comfort_total, reactions
from buffet.perception.comfort import Direction, Place


def test_a_seat_counts_its_three_axes_alike() -> None:
    """1, 2 and 2 m/s² make 3: k = 1 each, not the 1.4 of health."""
    total = comfort_total({("seat", "x"): 1.0, ("seat", "y"): 2.0, ("seat", "z"): 2.0})

    assert total == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("axis", "weighting", "factor"),
    [
        (("seat", "roll"), "We", 0.63),
        (("seat", "pitch"), "We", 0.40),
        (("seat", "yaw"), "We", 0.20),
        (("backrest", "x"), "Wc", 0.8),
        (("backrest", "y"), "Wd", 0.5),
        (("backrest", "z"), "Wd", 0.4),
        (("feet", "x"), "Wk", 0.25),
        (("feet", "y"), "Wk", 0.25),
        (("feet", "z"), "Wk", 0.40),
    ],
)
def test_factors_are_the_standards(
    axis: tuple[Place, Direction], weighting: str, factor: float
) -> None:
    """ISO 2631-1:1997 8.2.2: backrest and feet as transcribed, rotations from memory."""
    assert COMFORT_AXES[axis].weighting == weighting
    assert comfort_total({axis: 1.0}) == pytest.approx(factor)


def test_places_add_up_and_shapes_are_kept() -> None:
    """The overall total of several places is the root of their totals' squares; by channels."""
    seat = {("seat", "z"): np.array([0.3, 0.0]), ("seat", "pitch"): np.array([0.0, 1.0])}
    feet = {("feet", "z"): np.array([1.0, 0.75])}

    whole = comfort_total({cast("tuple[Place, Direction]", k): v for k, v in (seat | feet).items()})

    assert whole == pytest.approx([0.5, 0.5])


def test_axes_without_a_factor_are_refused() -> None:
    """Named, with those that have one; no axis at all likewise."""
    with pytest.raises(ValueError, match="got hand x: choose from seat x, seat y"):
        comfort_total({cast("tuple[Place, Direction]", ("hand", "x")): 1.0})
    with pytest.raises(ValueError, match="got none"):
        comfort_total({})


@pytest.mark.parametrize(
    ("total_m_s2", "expected"),
    [
        (0.0, ["not uncomfortable"]),
        (0.314, ["not uncomfortable"]),
        (0.315, ["a little uncomfortable"]),
        (0.4, ["a little uncomfortable"]),
        (0.55, ["a little uncomfortable", "fairly uncomfortable"]),
        (0.7, ["fairly uncomfortable"]),
        (0.9, ["fairly uncomfortable", "uncomfortable"]),
        (1.1, ["uncomfortable"]),
        (1.4, ["uncomfortable", "very uncomfortable"]),
        (1.8, ["very uncomfortable"]),
        (2.0, ["very uncomfortable"]),
        (2.3, ["very uncomfortable", "extremely uncomfortable"]),
        (3.0, ["extremely uncomfortable"]),
    ],
)
def test_reactions_overlap_as_printed(total_m_s2: float, expected: list[str]) -> None:
    """ISO 2631-1:1997 C.2.3: a value may be in two ranges (the last two from memory)."""
    assert [one.words for one in reactions(total_m_s2)] == expected


def test_no_value_is_without_a_reaction() -> None:
    """One or two of them, whatever the value."""
    counts = {len(reactions(value)) for value in np.arange(0, 4, 0.005)}

    assert counts == {1, 2}
    assert [one.high_m_s2 for one in REACTIONS[:-1]] == [0.315, 0.63, 1.0, 1.6, 2.5]


def test_a_negative_total_is_refused() -> None:
    """It cannot be an r.m.s. value."""
    with pytest.raises(ValueError, match="0 m/s² or more, got -1"):
        reactions(-1.0)


def test_the_perception_threshold_is_a_peak() -> None:
    """0.015 m/s² of a sinusoid's peak are 0.0106 m/s² r.m.s. (ISO 2631-1:1997 C.3)."""
    assert PERCEPTION.lower_quartile_peak_m_s2 == 0.01
    assert PERCEPTION.upper_quartile_peak_m_s2 == 0.02
    assert PERCEPTION.median_sine_rms_m_s2 == pytest.approx(0.0106, abs=5e-5)
