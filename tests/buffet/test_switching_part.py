"""Two states of the demo campaign: the truth planted, the text, the JSON and the figure."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from buffet.analysis import analyse
from buffet.documents import dumps
from buffet.interval import Interval
from buffet.one_pass import AnalysisSettings
from buffet.parts import Absent, PartSettings
from buffet.report.look import drawing
from buffet.report.switching_figure import figure
from buffet.run_spectra import RunResult, run_result
from buffet.switching.document import document
from buffet.switching.part import of_run
from buffet.switching.text import text
from buffet.switching.two_states import TwoStates
from buffet.terminal import WIDTH
from ingest import open_campaign

DEMO = Path(__file__).parents[2] / "demo_runs"
TRUTH: dict[str, Any] = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
SWITCHES, QUIET, CALM = "027", "003", "001"
ROAD_M_S = 130 / 3.6


@pytest.fixture(scope="module")
def results() -> dict[str, RunResult]:
    """A run that switches, one that does not, one without wind; no peaks are looked for."""
    settings = AnalysisSettings(keeps=frozenset({"copy"}))
    analysis = analyse(open_campaign(DEMO), [SWITCHES, QUIET, CALM], settings)
    runs = {run.run.number: run for run in analysis.chosen([SWITCHES, QUIET, CALM])}
    return {number: run_result(run, lambda quantity: False) for number, run in runs.items()}


@pytest.fixture(scope="module")
def found(results: dict[str, RunResult]) -> dict[str, TwoStates]:
    """The part of both runs with wind."""
    settings = PartSettings(road_speed_m_s=ROAD_M_S)
    parts = {number: of_run(results[number], settings) for number in (SWITCHES, QUIET)}
    return {number: one for number, one in parts.items() if isinstance(one, TwoStates)}


def holds(interval: Interval | None, truth: float) -> bool:
    """Whether the truth lies inside."""
    assert interval is not None
    assert interval.low is not None
    assert interval.high is not None
    return interval.low <= truth <= interval.high


def test_the_shallow_tail_has_its_two_states(found: dict[str, TwoStates]) -> None:
    """Levels, dwell times and changes as the signals were made from."""
    states = found[SWITCHES].states
    assert states is not None
    planted = TRUTH["configurations"]["shallow tail"]["switching"]
    per_length = found[SWITCHES].lengths_per_s
    assert per_length is not None
    by_name = {values.name: values for values in states.quantities}
    # attached: more lift, less drag; which of the two is the lower depends on the quantity
    signs = {name: by_name[name].difference.value for name in ("drag", "rear lift")}
    assert signs["drag"] * signs["rear lift"] < 0
    upper_is_attached = signs["rear lift"] > 0
    dwell = states.dwell[::-1] if upper_is_attached else states.dwell
    for own, state in zip(dwell, ("attached", "separated"), strict=True):
        assert own.mean_s is not None
        assert holds(own.mean_s.scaled(per_length), planted[state]["dwell_lengths"])
    made = TRUTH["runs"][SWITCHES]["state_changes"]
    assert 0.6 * made < states.changes <= made
    levels = [planted[state]["levels"]["rear lift"] for state in ("attached", "separated")]
    apart = abs(by_name["rear lift"].difference.value)
    assert apart == pytest.approx(abs(levels[0] - levels[1]), rel=0.12)
    assert not holds(by_name["drag"].difference, 0.0)
    assert holds(by_name["side force"].difference, 0.0)


def test_road_time_is_the_models_stretched(found: dict[str, TwoStates]) -> None:
    """Road frequencies are (V/U) · scale of the model's, times the inverse."""
    assert found[SWITCHES].road_per_model == pytest.approx(0.30 * ROAD_M_S / 40.05, rel=1e-3)
    told = document(found[SWITCHES])["states"]
    assert told["road_changes_per_s"]["value"] == pytest.approx(
        told["changes_per_s"]["value"] * 0.30 * ROAD_M_S / 40.05, rel=1e-3
    )
    assert told["lower"]["mean_lengths"]["value"] == pytest.approx(
        told["lower"]["mean_s"]["value"] * 40.05 / 0.435, rel=1e-3
    )


def test_the_bare_tailgate_has_one(found: dict[str, TwoStates]) -> None:
    """With the reason, in text and JSON."""
    one = found[QUIET]
    assert one.states is None
    assert text(one).startswith("Two states: none shown.")
    assert "The samples hold" not in text(one)
    without = replace(one, holds_more=("the lines",))
    assert text(without).replace("\n", " ").endswith("The samples hold the lines.")
    told = document(one)
    assert told["two_states"] is False
    assert told["states"] is None
    assert told["states_why"] == one.why_one != ""


def test_a_run_without_wind_or_samples_has_no_such_part(results: dict[str, RunResult]) -> None:
    """Absent, with the reason."""
    assert of_run(results[CALM], PartSettings()) == Absent("there was no wind")


def test_text_fits_the_terminal_and_json_is_valid(found: dict[str, TwoStates]) -> None:
    """No NaN; every null has its reason."""
    for one in found.values():
        assert max(map(len, text(one).splitlines())) <= WIDTH
        told = json.loads(dumps(document(one)))
        assert isinstance(told["tests"], list)
        assert all(test["why"] or test["p_value"] is not None for test in told["tests"])
    assert "changes in 60 s" in text(found[SWITCHES]).replace("\n", " ")


def test_figure_shows_both_kinds_of_run(
    results: dict[str, RunResult], found: dict[str, TwoStates]
) -> None:
    """Four panels with states, one without."""
    with drawing():
        whole = figure([(results[number], one) for number, one in found.items()])
        whole.draw_without_rendering()
        titles = [axes.get_title(loc="left") for box in whole.subfigs for axes in box.axes]
    assert len(titles) == 5
    assert "changes of state" in titles[0]
    assert titles[1:4] == ["distribution", "visits lasting longer", "PSD in each state"]
    assert "one state" in titles[4]
