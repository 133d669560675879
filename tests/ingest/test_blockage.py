"""Blockage: the rules against printed factors and closed forms, and what they do to a flow."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ingest import (
    FlowState,
    Model,
    RecordingError,
    Run,
    SheetError,
    TestSection,
    continuity_factor,
    maskell_factor,
    open_campaign,
    run_quantities,
    with_blockage,
)
from ingest.channel import Channel, Measures
from ingest.flow import Blockage
from ingest.model import BlockageMethod
from ingest.recording import ClockOptions
from tests.ingest.campaigns import CAMPAIGN, write_campaign

PUBLISHED = Path(__file__).parents[1] / "published" / "blockage.csv"
ROWS = list(csv.DictReader(PUBLISHED.read_text(encoding="utf-8").splitlines()))

MODEL = Model(0.30, 0.2, 0.775, 0.435)
FLOW = FlowState(40.0, 1000.0, 1.25, 1.8e-5, 1.2e6)


def channel(measures: Measures, unit: str) -> Channel:
    """One in SI that is named by what it measures."""
    return Channel(measures, measures, measures, unit, 1.0)


def a_run(*channels: Channel) -> Run:
    """A wind-on run of these channels."""
    return Run(
        "014",
        "bare",
        "wind-on",
        Path("014.toml"),
        (Path("014.csv"),),
        ("014.csv",),
        channels,
        ClockOptions(rate_hz=1000.0),
    )


def section(
    method: BlockageMethod, area_m2: float = 4.0, factor: float | None = None
) -> TestSection:
    """A closed test section of which the model fills a twentieth."""
    return TestSection("closed", area_m2, method, factor)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["rule"])
def test_continuity_against_printed_factors(row: dict[str, str]) -> None:
    """A car's model in a wind tunnel, worked out in print by two other rules."""
    ratio = float(row["model_area_ft2"]) / float(row["section_area_ft2"])

    found = continuity_factor(ratio, float(row["share"]))

    assert found == pytest.approx(float(row["printed"]), abs=float(row["tolerance"]))


def test_factors_by_hand() -> None:
    """A fifth of the section, half of it counting: 1 / 0.9²; C_D 0.4 in a twentieth: 1.05."""
    assert continuity_factor(0.2) == pytest.approx(1 / 0.81)
    assert continuity_factor(0.2, 1.0) == pytest.approx(1 / 0.64)
    assert maskell_factor(0.05, 0.4) == pytest.approx(1.05)
    assert maskell_factor(0.05, 0.4, 0.96) == pytest.approx(1.0192)


def test_a_small_model_and_no_drag_need_no_correction() -> None:
    """Both rules come to one, continuity with a slope of twice the share."""
    assert continuity_factor(0.0) == maskell_factor(0.0, 0.4) == maskell_factor(0.1, 0.0) == 1.0
    assert continuity_factor(1e-6, 0.5) - 1 == pytest.approx(1e-6, rel=1e-4)


def test_dynamic_pressure_speed_and_reynolds_number_follow() -> None:
    """The whole area of a fifth of the section: q by 1 / 0.64, U and Re by 1 / 0.8."""
    flow = with_blockage(FLOW, a_run(), MODEL, section("continuity", 1.0, 1.0), [])

    assert flow.dynamic_pressure_pa == pytest.approx(1562.5)
    assert flow.speed_m_s == pytest.approx(50.0)
    assert flow.reynolds == pytest.approx(1.5e6)
    assert flow.uncorrected_pressure_pa == pytest.approx(1000.0)
    assert flow.uncorrected_speed_m_s == pytest.approx(40.0)
    assert flow.blockage.method == "continuity"
    assert flow.blockage.area_ratio == pytest.approx(0.2)


@pytest.mark.parametrize(("unit", "mean"), [("N", 80.0), ("1", 0.4)])
def test_maskell_uses_the_runs_own_drag(unit: str, mean: float) -> None:
    """80 N at 1000 Pa on 0.2 m² are C_D 0.4, as is a logged coefficient: a factor of 1.05."""
    flow = with_blockage(FLOW, a_run(channel("drag", unit)), MODEL, section("maskell"), [mean])

    assert flow.blockage.drag_coefficient == pytest.approx(0.4)
    assert flow.dynamic_pressure_pa == pytest.approx(1050.0)


@pytest.mark.parametrize(
    ("channels", "means", "said"),
    [
        ((channel("lift", "N"),), [20.0], "there is no drag"),
        ((channel("drag", "N"),), [-20.0], "the mean drag coefficient is -0.1"),
    ],
)
def test_maskell_without_a_drag(
    channels: tuple[Channel, ...], means: list[float], said: str
) -> None:
    """None measured, or one below zero: no correction can be made, and none is made up."""
    with pytest.raises(RecordingError, match=said):
        with_blockage(FLOW, a_run(*channels), MODEL, section("maskell"), means)


def test_nothing_is_corrected_unasked() -> None:
    """No rule, no test section, no model: the flow as it was, and why."""
    chosen = with_blockage(FLOW, a_run(), MODEL, section("none"), [])
    sectionless = with_blockage(FLOW, a_run(), MODEL, None, [])
    modelless = with_blockage(FLOW, a_run(), None, section("none"), [])

    assert chosen.blockage == Blockage("none", 0.05, why="no correction is chosen")
    assert sectionless.blockage.why == "no test section is stated"
    assert modelless.blockage.why == "no model is stated"
    for flow in (chosen, sectionless, modelless):
        assert replace(flow, blockage=Blockage()) == FLOW


def test_coefficients_follow_the_corrected_dynamic_pressure() -> None:
    """q by 1.25: 60 N on 0.2 m² are 0.24 for 0.30, and what was logged as 0.5 is 0.4."""
    flow = replace(FLOW, dynamic_pressure_pa=1250.0, blockage=Blockage("continuity", 0.2, 1.25))
    drag, lift = run_quantities((channel("drag", "N"), channel("lift", "1")), MODEL, flow)[:2]

    assert drag.row @ [60.0, 0.5] == pytest.approx(0.24)
    assert lift.row @ [60.0, 0.5] == pytest.approx(0.4)
    assert drag.mean_offset == lift.mean_offset == 0.0


@pytest.mark.parametrize(("unit", "scale"), [("Pa", 1000.0), ("1", 1.0)])
def test_pressure_coefficients_keep_the_total_pressure(unit: str, scale: float) -> None:
    """q by 1.25: stagnation stays 1, a C_p of -0.25 is 0, one of 0 is 0.2; fluctuations / 1.25."""
    flow = replace(FLOW, dynamic_pressure_pa=1250.0, blockage=Blockage("continuity", 0.2, 1.25))
    (tap,) = run_quantities((channel("pressure", unit),), MODEL, flow)
    measured = scale * np.array([1.0, -0.25, 0.0])

    assert tap.row[0] * measured + tap.mean_offset == pytest.approx(np.array([1.0, 0.0, 0.2]))
    assert tap.fluctuation_row[0] * scale == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("absent", "fault"),
    [
        ("", "runs/014.toml: channel: blockage = 'maskell' in campaign.toml needs each run's own"),
        ("model", "campaign.toml: test_section.blockage: 'maskell' needs the model's frontal_area"),
    ],
)
def test_what_a_rule_needs_is_asked_for_by_the_sheets(
    tmp_path: Path, absent: str, fault: str
) -> None:
    """A campaign whose one wind-on run has no drag; the same without [model]."""
    stated = {"kind": "closed", "area": "4.5 m^2", "blockage": "maskell"}
    sheet = {**CAMPAIGN, "test_section": stated}
    sheet.pop(absent, None)

    with pytest.raises(SheetError) as error:
        open_campaign(write_campaign(tmp_path, campaign=sheet))

    assert any(str(one).startswith(fault) for one in error.value.faults)
