"""The recommendation's reasons: no difference that is not there, ties told, rules of thumb."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any, cast

import pytest

from buffet.comparing import AddOn
from buffet.interval import Interval
from buffet.pairs import Estimate
from buffet.rating.rate import ConfigurationRating
from buffet.rating.scatter import Scatter
from buffet.recommending import SHALLOW_TAIL, SMALL_SPOILER, recommend

NO_REPEATS = Scatter(0.0, 0.0, 0, {})
SURE, UNSURE = 1e-4, 0.4


def rated(name: str, verdict: str) -> ConfigurationRating:
    """What a recommendation asks of a rating."""
    return cast(ConfigurationRating, SimpleNamespace(name=name, verdict=verdict, wind=None))


LIKELY = rated("bare", "likely")


def around(value: float) -> Interval:
    """Known to a tenth."""
    return Interval(value, value - abs(value) / 10, value + abs(value) / 10)


def add_on(
    name: str,
    verdict: str = "possible",
    ratio: float = 0.5,
    drag: float | None = 0.0,
    rear_lift: float | None = None,
    p_value: float = SURE,
    p_of_means: Mapping[str, float] | None = None,
) -> AddOn:
    """Differences to the baseline, by default none of the means beyond doubt."""
    known: dict[str, Any] = {
        "name": name,
        "rating": rated(name, verdict),
        "rms_ratio": {"rear lift": around(ratio)},
        "p_value": {"rear lift": p_value},
        "delta_drag": None if drag is None else around(drag),
        "delta_front_lift": None,
        "delta_rear_lift": None if rear_lift is None else around(rear_lift),
        "delta_p_value": p_of_means or {"drag": UNSURE},
        "drag_change_percent": None if drag is None else around(100 * drag),
        "fuel_change_percent": None if drag is None else around(50 * drag),
    }
    return cast(AddOn, SimpleNamespace(**known))


class Between:
    """Pairs of add-ons, their drag and fluctuation this many standard errors apart."""

    def __init__(self, *, drag: float, fluctuation: float) -> None:
        self.drag, self.fluctuation = drag, fluctuation

    def __call__(self, one: str, other: str) -> Any:
        """The same for all pairs."""
        return SimpleNamespace(
            difference=lambda word: Estimate(self.drag, ((1.0, 1e6),), 1.0, NO_REPEATS),
            log_ratio=lambda word: Estimate(self.fluctuation, ((1.0, 1e6),), 1.0, NO_REPEATS),
        )


APART = Between(drag=9.0, fluctuation=9.0)


def test_a_baseline_that_is_not_felt_is_kept() -> None:
    """Whatever the add-ons do."""
    choice = recommend(rated("bare", "unlikely"), [add_on("wing", "unlikely")], APART)

    assert choice.configuration == "bare"
    assert choice.rule_of_thumb is None


def test_a_lower_verdict_without_a_difference_is_not_enough() -> None:
    """The metrics lie on two sides of a limit by chance: p of the ratio is 0.4."""
    choice = recommend(LIKELY, [add_on("wing", "possible", p_value=UNSURE)], APART)

    assert choice.configuration is None
    assert "beyond doubt" in choice.why


def test_among_equal_verdicts_the_least_drag_is_chosen_and_said() -> None:
    """Where the difference of drag is there."""
    candidates = [add_on("long", drag=0.02), add_on("short", drag=-0.01)]
    choice = recommend(LIKELY, candidates, APART)

    assert choice.configuration == "short"
    assert choice.why.endswith("of those with this verdict it has the least drag")


def test_where_drag_does_not_decide_the_calmer_one_is_chosen() -> None:
    """No drag difference between the two, and fluctuations that differ beyond doubt."""
    candidates = [add_on("short", ratio=0.6, drag=-0.010), add_on("long", ratio=0.4, drag=-0.009)]
    choice = recommend(LIKELY, candidates, Between(drag=0.5, fluctuation=9.0))

    assert choice.configuration == "long"
    assert choice.why.endswith("short fluctuates more, and no difference of drag to it is shown")


def test_what_cannot_be_told_from_the_best_is_named() -> None:
    """Neither drag nor fluctuation differs, among equals and for a worse verdict alike."""
    candidates = [add_on("a"), add_on("b"), add_on("c", "likely")]
    undetermined = rated("bare", "undetermined")
    choice = recommend(undetermined, candidates, Between(drag=0.5, fluctuation=0.5))

    assert choice.configuration == "a"
    assert choice.why.endswith("b and c cannot be told from it by what was measured")


def test_a_worse_verdict_is_set_apart_by_its_fluctuation_alone() -> None:
    """Other drag does not make an unlikely and a possible one different in what is felt."""
    candidates = [add_on("wing", "unlikely"), add_on("lip", "possible")]
    same_feel = recommend(LIKELY, candidates, Between(drag=9.0, fluctuation=0.5))
    calmer = recommend(LIKELY, candidates, Between(drag=0.5, fluctuation=9.0))

    assert same_feel.configuration == calmer.configuration == "wing"
    assert "lip cannot be told from it" in same_feel.why
    assert "lip" not in calmer.why


def test_rivals_are_corrected_for_their_number() -> None:
    """2.1 standard errors, p = 0.036, tell one rival apart but not the best from two (Holm)."""
    between = Between(drag=0.0, fluctuation=2.1)
    candidates = [add_on("a", "unlikely"), add_on("b"), add_on("c")]

    assert "cannot be told" not in recommend(LIKELY, candidates[:2], between).why
    assert "b and c cannot be told" in recommend(LIKELY, candidates, between).why


def test_rivals_that_share_no_operating_point_are_not_told_apart() -> None:
    """No estimate is no difference."""
    nothing = SimpleNamespace(difference=lambda word: None, log_ratio=lambda word: None)
    choice = recommend(LIKELY, [add_on("a"), add_on("b")], lambda one, other: cast(Any, nothing))

    assert "b cannot be told from it" in choice.why


@pytest.mark.parametrize(
    ("drag", "rear_lift", "p", "rule"),
    [
        (-0.02, 0.04, {"drag": SURE, "rear lift": SURE}, SHALLOW_TAIL),
        (-0.02, 0.04, {"drag": UNSURE, "rear lift": SURE}, None),
        (-0.02, 0.04, {"drag": SURE, "rear lift": UNSURE}, None),
        (0.02, 0.04, {"drag": SURE, "rear lift": SURE}, None),
        (0.02, -0.04, {"drag": SURE, "rear lift": SURE}, SMALL_SPOILER),
        (0.02, -0.04, {"drag": SURE, "rear lift": UNSURE}, None),
        (None, -0.04, {"rear lift": SURE}, SMALL_SPOILER),
        (None, 0.04, {"rear lift": SURE}, None),
        (-0.02, None, {"drag": SURE}, None),
    ],
)
def test_a_rule_of_thumb_needs_numbers_that_agree(
    drag: float | None, rear_lift: float | None, p: dict[str, float], rule: str | None
) -> None:
    """Not the name: drag lower and rear lift higher beyond doubt, or rear lift lower."""
    one = add_on("long spoiler", drag=drag, rear_lift=rear_lift, p_of_means=p)

    assert recommend(LIKELY, [one], APART).rule_of_thumb == rule


def test_costs_are_told_where_they_are_there() -> None:
    """By the corrected p-value, not by the interval."""
    p_values = {"drag": UNSURE, "rear lift": SURE}
    one = add_on("wing", drag=0.02, rear_lift=-0.05, p_of_means=p_values)
    why = recommend(LIKELY, [one], APART).why

    assert "no drag difference is shown" in why
    assert "fuel" not in why
    assert "rear lift coefficient -0.05" in why
