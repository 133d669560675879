"""The demo campaign's planted lines: the fan's, which scales, and the mains'."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from buffet.analysis import analyse
from buffet.lines.part import RunLine, RunLines, of_run
from buffet.one_pass import AnalysisSettings
from buffet.parts import PartSettings
from buffet.run_spectra import run_result
from ingest import open_campaign

DEMO = Path(__file__).parents[2] / "demo_runs"
TRUTH: dict[str, Any] = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
RUNS = ("003", "012")


@cache
def lines_of(number: str) -> tuple[RunLine, ...]:
    """Of one run."""
    settings = AnalysisSettings(keeps=frozenset({"tapers"}))
    analysis = analyse(open_campaign(DEMO), [number], settings)
    found = of_run(run_result(analysis.runs[0], lambda quantity: False), PartSettings())
    assert isinstance(found, RunLines)
    return found.lines


@pytest.mark.parametrize("number", RUNS)
def test_planted_lines_are_found_named_and_placed(number: str) -> None:
    """Both, no other, each within its interval, widened by a third."""
    fan, mains = sorted(lines_of(number), key=lambda one: one.source is None or one.source.kind)
    assert (fan.source and fan.source.kind, mains.source and mains.source.kind) == ("fan", "mains")
    for one, truth in (
        (fan, TRUTH["runs"][number]["fan_line_hz"]),
        (mains, TRUTH["logger"]["mains_hz"]),
    ):
        found = one.line.frequency_hz
        assert found.high is not None
        assert found.value == pytest.approx(truth, abs=1.33 * (found.high - found.value))


@pytest.mark.parametrize("number", RUNS)
def test_the_fans_line_has_its_planted_rms(number: str) -> None:
    """In drag; repeats of a run differ by a percent or two."""
    (fan,) = (one for one in lines_of(number) if one.source and one.source.kind == "fan")
    (drag,) = (part for part in fan.quantities if part.quantity == "drag")
    assert drag.rms is not None
    assert drag.rms.value == pytest.approx(TRUTH["fan_line"]["rms"]["drag"], rel=0.1)
