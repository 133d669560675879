"""Whose a change is, where it shows, and what it is worth: rig, taps, trade-offs, more runs."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.comparing import Comparison
from buffet.comparison_document import comparison_document
from buffet.comparison_text import comparison_text
from buffet.pairs import Estimate, Pair, Spreads
from buffet.rating.ranking import Ranked, Ranking
from buffet.rating.rate import Rating
from buffet.rating.scatter import Scatter
from buffet.rig_changes import _most_changed, _Part
from buffet.rig_findings import RigShare
from buffet.trade_offs import trade_offs
from tests.buffet.campaigns import PlantedRun, run_buffet, two_configurations
from tests.buffet.schema_check import faults
from tests.buffet.test_comparing import compared, holds
from tests.buffet.test_following import RIG_HZ, SPEEDS_M_S, WAKE_STROUHAL, noise, white

LENGTH_M = 0.435
# By configuration: RMS of the wake's lift, of the rig's, of what both taps see, and mean drag.
PLANTED = {
    "bare": (0.020, 0.010, 8.0, 0.320),
    "plate": (0.020, 0.025, 8.0, 0.321),  # the rig's part alone is larger
    "lip": (0.010, 0.010, 4.0, 0.318),
}


def planted(number: int, name: str, speed_m_s: float) -> PlantedRun:
    """A wake that scales, a resonance of the rig that does not, and two taps."""
    wake, rig, tap, drag = PLANTED[name]
    sheds = noise(WAKE_STROUHAL * speed_m_s / LENGTH_M, 6.0, wake, number)
    lift = sheds + noise(RIG_HZ, 25.0, rig, number + 100) + white(0.003, number + 200)
    samples = {
        "drag": drag + white(0.002, number + 300),
        "lift": 0.1 + lift,
        # of which no peak is looked for: the same rig and half the wake
        "front lift": 0.05 + 0.5 * sheds + 0.5 * (lift - sheds),
        "pressure": -100 + white(tap, number + 400),
    }
    return PlantedRun(
        str(number), samples, name, {"pressure": "Pa"}, air={"speed": f"{speed_m_s:g} m/s"}
    )


@pytest.fixture(scope="module")
def comparison(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    """Three configurations at three wind speeds."""
    runs = [
        planted(10 * i + j, name, speed)
        for i, name in enumerate(PLANTED, 1)
        for j, speed in enumerate(SPEEDS_M_S, 1)
    ]
    return compared(tmp_path_factory.mktemp("changes") / "c", runs)


def test_a_change_in_a_fixed_frequency_peak_is_the_rigs(comparison: Comparison) -> None:
    """The plate adds 0.025² - 0.010² at 31 Hz and nothing else; the lip takes wake alone."""
    plate, lip = (next(o for o in comparison.add_ons if o.name == n) for n in ("plate", "lip"))
    for word in ("lift", "front lift"):
        assert plate.p_value[word] < 1e-3
        assert plate.rig[word].mostly
        assert plate.rig[word].share == pytest.approx(1.0, abs=0.25)
        assert plate.rig[word].frequency_hz == pytest.approx(RIG_HZ, rel=0.02)
        assert "fixed frequency" in plate.rig[word].what
        assert word not in lip.rig
    text = comparison_text(comparison)
    assert "the rig's: " in text
    assert "at 31 Hz" in text


def test_the_rigs_change_recommends_nothing(comparison: Comparison) -> None:
    """Whatever is felt of it: the plate's name is not among what is recommended."""
    assert comparison.recommendation.configuration != "plate"


def test_ratio_at_a_tap(comparison: Comparison) -> None:
    """Planted: half as much with the lip, and no change with the plate."""
    taps = {one.name: one.taps for one in comparison.add_ons}
    (lip,), (plate,) = taps["lip"], taps["plate"]

    assert lip.name == "pressure"
    assert holds(lip.ratio, 0.5)
    assert holds(plate.ratio, 1.0)
    assert lip.p_value is not None
    assert lip.p_value < 1e-6
    document = comparison_document(comparison)
    (told,) = document["configurations"][1]["rms_ratio_of_taps"]
    assert told["name"] == "pressure"
    assert document["configurations"][0]["not_flow"]["lift"]["share"] > 0.5
    assert faults(document) == []


def test_the_peak_that_changed_is_named_not_the_largest() -> None:
    """A resonance of 10 in both, and mains from 0.001 to 3: variances."""
    shares = {
        60.0: cast(RigShare, SimpleNamespace(code="unstated-resonance", frequency_hz=60.0)),
        50.0: cast(RigShare, SimpleNamespace(code="mains-line", frequency_hz=50.0)),
    }
    for share in shares.values():
        cast(Any, share).peak = SimpleNamespace(bandwidth_hz=SimpleNamespace(value=1.0))
    parts = [
        (sign, _Part(shares[hz], variance))
        for sign, own in ((1.0, {60.0: 10.0, 50.0: 3.0}), (-1.0, {60.0: 10.0, 50.0: 0.001}))
        for hz, variance in own.items()
    ]

    assert _most_changed(parts, 3.0) is shares[50.0]


def test_a_tap_that_is_not_there_says_so(tmp_path: Path) -> None:
    """One run without it; the other components are compared all the same."""
    runs = [planted(1, "bare", 40.0), planted(2, "lip", 40.0)]
    del cast(dict[str, Any], runs[1].samples)["pressure"]
    (lip,) = compared(tmp_path / "c", runs).add_ons

    assert lip.taps[0].ratio is None
    assert "in run 2" in (lip.taps[0].why or "")
    assert "lift" in lip.rms_ratio


def test_runs_that_show_a_difference_show_it_in_four_of_five() -> None:
    """By the t-test itself, simulated: n runs a side at one operating point, scatter pooled.

    Now two runs a side, whose scatter is known from those alone; the change wanted is a tenth.
    """
    rng = np.random.default_rng(4)
    scatter, now, change = 0.06**2, 2, 0.1
    # Of the variance's logarithm, twice the RMS's: four times the variance.
    spread = Scatter(4 * scatter, 0.0, 2 * (now - 1), {})
    estimate = Estimate(0.0, ((1e-9, 1e6),), 2 / (4 * now), spread)
    runs = pair_of_runs(now).runs_to_show(estimate, change)
    assert runs is not None

    def shown(n: int) -> float:
        one, other = rng.normal(change, 0.06, (2000, n)), rng.normal(0, 0.06, (2000, n))
        from scipy import stats

        return float(np.mean(stats.ttest_ind(one, other, axis=1).pvalue < 0.05))

    assert shown(runs) >= 0.78
    assert shown(runs - 2) < 0.78


def test_without_repeats_no_number_of_runs_is_told() -> None:
    """How far they would scatter is not known."""
    estimate = Estimate(0.0, ((1e-3, 50.0),), 0.5, Scatter(0.0, 0.0, 0, {}))

    assert pair_of_runs(1).runs_to_show(estimate, 0.05) is None


def pair_of_runs(n: int) -> Pair:
    """Two configurations with as many runs at one operating point."""

    class Counted(Pair):
        def groups(self, name: str) -> list[list[Any]]:
            return [[object()] * n]

    return Counted(cast(Any, None), "one", "other", Spreads({}, {}))


def known(value: float, error: float) -> Estimate:
    """A difference with its standard error."""
    return Estimate(value, ((error**2, 1e6),), 1.0, Scatter(0.0, 0.0, 0, {}))


def traded(felt: dict[str, float], drag: dict[str, float], lift: dict[str, float]) -> Any:
    """Of made-up configurations, each quantity with an error of 0.01; by name."""
    rng = np.random.default_rng(2)
    shares: dict[str, NDArray[np.float64]] = {
        name: value * np.exp(0.01 * rng.normal(size=5000)) for name, value in felt.items()
    }
    ranking = Ranking(
        36.0, (), {}, tuple(Ranked(n, cast(Any, None), "", 0.0) for n in felt), {}, shares
    )
    costs = {"drag": drag, "rear lift": lift}

    def between(one: str, other: str) -> Any:
        return SimpleNamespace(
            name=one,
            spreads=SimpleNamespace(mean={}),
            difference=lambda word: (
                known(costs[word][one] - costs[word][other], 0.01)
                if one in costs[word] and other in costs[word]
                else None
            ),
        )

    rated = [SimpleNamespace(name=name, verdict="possible") for name in felt]
    rating = cast(Rating, SimpleNamespace(configurations=rated))
    return {one.name: one for one in trade_offs(rating, ranking, between)}


def test_dominated_is_what_another_beats() -> None:
    """In one of the three beyond doubt, and in none worse; what costs more drag dominates none."""
    found = traded(
        {"bare": 3.0, "lip": 1.5, "wing": 0.5},
        {"bare": 0.30, "lip": 0.25, "wing": 0.40},
        {"bare": 0.10, "lip": 0.05, "wing": -0.1},
    )

    assert found["bare"].dominated_by == ("lip",)
    assert found["lip"].dominated_by == found["wing"].dominated_by == ()


def test_who_beats_one_whose_drag_is_not_known_is_not_known() -> None:
    """The others are held against one another all the same."""
    found = traded(
        {"bare": 3.0, "lip": 1.5, "wing": 0.5},
        {"bare": 0.30, "lip": 0.25},
        {"bare": 0.10, "lip": 0.05, "wing": -0.1},
    )

    assert found["wing"].dominated_by is None
    assert found["bare"].dominated_by == ("lip",)


def test_nothing_dominates_by_chance_alone() -> None:
    """Better in all three, in none beyond doubt; nor by one of many looks at equal ones."""
    found = traded({"a": 1.0, "b": 1.001}, {"a": 0.30, "b": 0.301}, {"a": 0.10, "b": 0.101})

    assert found["b"].dominated_by == ()


def test_options_of_compare(tmp_path: Path) -> None:
    """What passes for equal, and which picture; a picture needs a file that holds one."""
    folder = two_configurations(tmp_path / "c")
    compare = ("compare", folder, "--speed", "130 km/h")
    document = json.loads(run_buffet(*compare, "--equal-within", "20 %", "--json").stdout)

    assert document["equal_within_percent"] == pytest.approx(20)
    assert {one["name"]: one["dominated_by"] for one in document["trade_offs"]} == {
        "bare": [],  # the spoiler costs drag
        "spoiler": [],
    }
    text = run_buffet(*compare, "--equal-within", "0.2").stdout
    assert "felt and paid" in text
    assert "Equal within" not in text  # all components fluctuate half as much: none is open
    assert "P least" in text
    picture = tmp_path / "trade.png"
    assert run_buffet(*compare, "--figure", "trade", "-o", picture).exit_code == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    refused = run_buffet(*compare, "--figure", "trade", "-o", tmp_path / "trade.csv")
    assert refused.exit_code == 2
    assert "--figure needs a picture" in refused.stderr
    wrong = run_buffet(*compare, "--equal-within", "90 %")
    assert wrong.exit_code == 2
    assert "at most 50 %" in wrong.stderr
