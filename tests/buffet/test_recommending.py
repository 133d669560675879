"""The recommendation's reasons: no difference that is not there, ties told, doubts, rules."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from buffet.comparing import AddOn
from buffet.interval import Interval
from buffet.pairs import Estimate
from buffet.rating.calibration import CALIBRATION
from buffet.rating.car_spread import CAR
from buffet.rating.criteria import read_criteria
from buffet.rating.metric_curve import RECORDS
from buffet.rating.ranking import Ranking
from buffet.rating.rate import ConfigurationRating
from buffet.rating.scatter import Scatter
from buffet.recommending import SHALLOW_TAIL, SMALL_SPOILER, Recommendation, recommend
from buffet.rig_changes import RigChange

REPEATS = Scatter(1e-3, 0.5e-4, 6, {})
SURE, UNSURE = 1e-4, 0.4
ROW = read_criteria().rows[0]
SPREAD = 0.02  # of the logarithm of what is felt of one configuration


def rated(
    name: str,
    verdict: str,
    p: tuple[float, float] = (0.5, 0.0),
    budget: Mapping[str, float] | None = None,
    rows: Sequence[Any] = (),
) -> ConfigurationRating:
    """What a recommendation asks of a rating."""
    decisive = SimpleNamespace(
        criterion=ROW, p_possible=p[0], p_likely=p[1], budget=budget or {}, verdict=verdict
    )
    one = SimpleNamespace(
        name=name, verdict=verdict, wind=None, decisive=decisive, criteria=(decisive, *rows)
    )
    return cast(ConfigurationRating, one)


LIKELY = rated("bare", "likely")


def around(value: float) -> Interval:
    """Known to a tenth."""
    return Interval(value, value - abs(value) / 10, value + abs(value) / 10)


def add_on(
    name: str,
    verdict: str = "possible",
    felt: float = 0.5,
    drag: float | None = 0.0,
    rear_lift: float | None = None,
    p_value: float = SURE,
    p_of_means: Mapping[str, float] | None = None,
    **more: Any,
) -> AddOn:
    """Differences to the baseline, by default none of the means beyond doubt."""
    known: dict[str, Any] = {
        "name": name,
        "rating": rated(name, verdict),
        "rms_ratio": {"rear lift": around(felt)},
        "p_value": {"rear lift": p_value},
        "felt_ratio": around(felt),
        "felt_p_value": p_value,
        "rig": {},
        "delta_drag": None if drag is None else around(drag),
        "delta_front_lift": None,
        "delta_rear_lift": None if rear_lift is None else around(rear_lift),
        "delta_p_value": p_of_means or {"drag": UNSURE},
        "drag_change_percent": None if drag is None else around(100 * drag),
        "fuel_change_percent": None if drag is None else around(50 * drag),
    }
    return cast(AddOn, SimpleNamespace(**known | more))


def ranking(felt: Mapping[str, float], unranked: Mapping[str, str] | None = None) -> Ranking:
    """Of configurations of which so much is felt, each known to `SPREAD`."""
    rng = np.random.default_rng(1)
    shares = {
        name: value * np.exp(SPREAD * rng.normal(size=20_000)) for name, value in felt.items()
    }
    return Ranking(36.0, (ROW.id,), {}, (), unranked or {}, shares)


def advice(
    baseline: ConfigurationRating,
    add_ons: Sequence[AddOn],
    *,
    drag: float = 9.0,
    felt: Mapping[str, float] | None = None,
    unranked: Mapping[str, str] | None = None,
    repeats: Scatter = REPEATS,
    own: float = 1e-4,
) -> Recommendation:
    """Drag of any two add-ons so many standard errors apart; what is felt as `felt` says."""
    apart = {one.name: 0.1 * 2.0**i for i, one in enumerate(add_ons)}

    def between(one: str, other: str) -> Any:
        return SimpleNamespace(
            name=one,
            other=other,
            difference=lambda word: Estimate(drag, ((1.0, 1e6),), 1.0, REPEATS_KNOWN),
            log_ratio=lambda word: Estimate(0.01, ((own, 1e3),), 1.0, repeats),
            runs_to_show=lambda estimate, change: 7 if repeats.freedom else None,
        )

    told = ranking(felt if felt is not None else apart, unranked)
    return recommend(baseline, add_ons, told, between, 0.05)


REPEATS_KNOWN = Scatter(0.0, 0.0, 0, {})


def test_a_baseline_that_is_not_felt_is_kept() -> None:
    """Whatever the add-ons do."""
    choice = advice(rated("bare", "unlikely", (0.0, 0.0)), [add_on("wing", "unlikely")])

    assert choice.configuration == "bare"
    assert choice.rule_of_thumb is None
    assert choice.doubts == ()


def test_a_lower_verdict_without_a_difference_is_not_enough() -> None:
    """The metrics lie on two sides of a limit by chance: p of what is felt is 0.4."""
    choice = advice(LIKELY, [add_on("wing", "possible", p_value=UNSURE)])

    assert choice.configuration is None
    assert "it is shown" in choice.why
    assert "wing" in choice.doubts[0].text
    assert "7 runs of each" in choice.doubts[0].settled_by


def test_the_same_verdict_is_enough_where_a_driver_notices_the_difference() -> None:
    """Half as much felt, or 5 % less: below the just noticeable difference of 7 to 11 %."""
    possible = rated("bare", "possible")
    half = advice(possible, [add_on("wing", "possible", felt=0.5)])
    little = advice(possible, [add_on("wing", "possible", felt=0.95)])
    worse = advice(possible, [add_on("wing", "likely", felt=0.5)])

    assert half.configuration == "wing"
    assert half.why.startswith("possible as the baseline, but calmer: what is felt is 0.50")
    assert little.configuration is None
    assert worse.configuration is None


def test_a_change_that_is_the_rigs_recommends_nothing() -> None:
    """A peak of fixed frequency holds most of it: struck out; part of it: said."""
    part = RigChange(0.3, 23.0, "a broad peak of fixed frequency")
    most = RigChange(0.8, 23.0, "a broad peak of fixed frequency")
    rig_alone = advice(LIKELY, [add_on("wing", rig={"rear lift": most})])
    rig_too = advice(LIKELY, [add_on("wing", rig={"rear lift": part})])

    assert rig_alone.configuration is None
    assert "80% is not the flow's" in rig_alone.doubts[0].text
    assert rig_too.configuration == "wing"
    assert "30% is not the flow's: a broad peak" in rig_too.doubts[0].text
    assert "buffet resonance" in rig_too.doubts[0].settled_by


def test_among_equal_verdicts_the_least_drag_is_chosen_and_said() -> None:
    """Where the difference of drag is there."""
    choice = advice(LIKELY, [add_on("long", drag=0.02), add_on("short", drag=-0.01)])

    assert choice.configuration == "short"
    assert choice.why.endswith("of those with this verdict it has the least drag")


def test_where_drag_does_not_decide_the_one_that_is_felt_less_is_chosen() -> None:
    """No drag difference between the two, and what is felt differs beyond doubt."""
    candidates = [add_on("short", felt=0.6, drag=-0.010), add_on("long", felt=0.4, drag=-0.009)]
    choice = advice(LIKELY, candidates, drag=0.5, felt={"short": 0.6, "long": 0.4})

    assert choice.configuration == "long"
    assert choice.why.endswith("of short more is felt, and no difference of drag is shown")


def test_what_cannot_be_told_from_the_best_is_named() -> None:
    """Neither drag nor what is felt differs, among equals and for a worse verdict alike."""
    candidates = [add_on("a"), add_on("b"), add_on("c", "likely")]
    same = dict.fromkeys("abc", 0.5)
    choice = advice(rated("bare", "undetermined"), candidates, drag=0.5, felt=same)

    assert choice.configuration == "a"
    assert choice.why.endswith("b and c cannot be told from it by what was measured")
    assert [doubt.text.split(" cannot")[0] for doubt in choice.doubts] == ["b", "c"]
    assert choice.doubts[0].settled_by == (
        "a and b, 7 runs of each at every operating point, which would show 5% of rear lift RMS"
    )


def test_least_drag_is_said_of_a_difference_that_is_there_alone() -> None:
    """The candidate with the least drag is felt less too, but its drag differs by chance."""
    candidates = [add_on("short", felt=0.4, drag=-0.010), add_on("long", felt=0.6, drag=-0.009)]
    choice = advice(LIKELY, candidates, drag=0.5, felt={"short": 0.4, "long": 0.6})

    assert choice.configuration == "short"
    assert choice.why.endswith("of long more is felt, and no difference of drag is shown")


def test_runs_that_were_made_settle_nothing() -> None:
    """The telling component is told apart finely enough; what is felt lies too close."""
    candidates, same = [add_on("a"), add_on("b")], {"a": 0.5, "b": 0.5}
    fine = Scatter(1e-6, 0.5e-6, 60, {})
    choice = advice(LIKELY, candidates, drag=0.5, felt=same, repeats=fine, own=1e-7)

    assert "runs of each" not in choice.doubts[0].settled_by
    assert "longer records and more repeats" in choice.doubts[0].settled_by


def test_without_an_add_on_nothing_is_recommended() -> None:
    """And nothing said of differences."""
    assert advice(LIKELY, []).why == "the campaign has no add-on to compare with the baseline"


def test_without_repeats_repeats_come_first() -> None:
    """How many more would do is not known while their scatter is not."""
    candidates, same = [add_on("a"), add_on("b")], {"a": 0.5, "b": 0.5}
    choice = advice(LIKELY, candidates, drag=0.5, felt=same, repeats=REPEATS_KNOWN)

    assert "how far repeats scatter" in choice.doubts[0].settled_by


def test_a_worse_verdict_is_set_apart_by_what_is_felt_alone() -> None:
    """Other drag does not make an unlikely and a possible one different in what is felt."""
    candidates = [add_on("wing", "unlikely"), add_on("lip", "possible")]
    same_feel = advice(LIKELY, candidates, drag=9.0, felt={"wing": 0.5, "lip": 0.5})
    calmer = advice(LIKELY, candidates, drag=0.5, felt={"wing": 0.5, "lip": 0.9})

    assert same_feel.configuration == calmer.configuration == "wing"
    assert "lip cannot be told from it" in same_feel.why
    assert "lip" not in calmer.why


def test_rivals_are_corrected_for_their_number() -> None:
    """2.1 standard errors, p = 0.036, tell one rival apart but not the best from two (Holm)."""
    further = float(np.exp(2.1 * SPREAD * np.sqrt(2)))
    felt = {"a": 0.5, "b": 0.5 * further, "c": 0.5 * further}
    candidates = [add_on("a", "unlikely"), add_on("b"), add_on("c")]

    assert "cannot be told" not in advice(LIKELY, candidates[:2], drag=0.0, felt=felt).why
    assert "b and c cannot be told" in advice(LIKELY, candidates, drag=0.0, felt=felt).why


def test_rivals_that_share_no_operating_point_are_not_told_apart() -> None:
    """No estimate is no difference; neither is in the ranking."""
    nothing = SimpleNamespace(
        name="a", other="b", difference=lambda word: None, log_ratio=lambda word: None
    )
    choice = recommend(
        LIKELY,
        [add_on("a"), add_on("b")],
        ranking({}),
        lambda one, other: cast(Any, nothing),
        0.05,
    )

    assert "b cannot be told from it" in choice.why


def test_what_is_near_a_limit_is_doubtful_and_its_largest_source_is_named() -> None:
    """The car's own values are no run; records are."""
    for budget, expected in (
        ({CAR: 0.8, RECORDS: 0.2}, "the car's own values"),
        ({CAR: 0.2, RECORDS: 0.7, CALIBRATION: 0.1}, "wing with longer records"),
    ):
        rating = rated("wing", "unlikely", (0.08, 0.0), budget)
        choice = advice(LIKELY, [add_on("wing", "unlikely", rating=rating)])

        assert "limit from which vertical-over-road is possible" in choice.doubts[0].text
        assert "8%" in choice.doubts[0].text
        assert choice.doubts[0].settled_by.startswith(expected)
    sure = rated("wing", "possible", (1.0, 0.001))
    assert advice(LIKELY, [add_on("wing", rating=sure)]).doubts == ()
    near = rated("wing", "possible", (1.0, 0.3))
    assert "is likely (1)" in advice(LIKELY, [add_on("wing", rating=near)]).doubts[0].text


def test_rows_that_are_open_and_configurations_that_are_not_ranked_are_told() -> None:
    """After what touches the choice itself."""
    lateral = SimpleNamespace(
        criterion=SimpleNamespace(id="lateral"), verdict="undetermined", why="not covered"
    )
    rating = rated("wing", "possible", (1.0, 0.0), rows=[lateral])
    choice = advice(
        LIKELY, [add_on("wing", rating=rating)], unranked={"lip": "vertical-over-road: not covered"}
    )

    assert choice.doubts[0].text == "lateral of wing is undetermined: not covered"
    assert choice.doubts[1].text.startswith("lip is not ranked")


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

    assert advice(LIKELY, [one]).rule_of_thumb == rule


def test_costs_are_told_where_they_are_there() -> None:
    """By the corrected p-value, not by the interval."""
    p_values = {"drag": UNSURE, "rear lift": SURE}
    one = add_on("wing", drag=0.02, rear_lift=-0.05, p_of_means=p_values)
    why = advice(LIKELY, [one]).why

    assert "no drag difference is shown" in why
    assert "fuel" not in why
    assert "rear lift coefficient -0.05" in why
