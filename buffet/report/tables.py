"""The page's tables: results as text, row by row."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

from buffet.comparing import AXLES, AddOn, Comparison
from buffet.comparison_text import finding_of
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.shedding import Shedding
from buffet.rating.unrated import not_rated
from buffet.rating.verdict import CriterionRating
from buffet.report.wording import (
    MARKS,
    NONE,
    Mark,
    p_value,
    probability,
    reynolds,
    significant,
    spanned,
)
from buffet.road_load.speed_trace import SpeedTrace
from buffet.road_load.text import changes as energy_changes
from buffet.road_load.text import reasons
from buffet.run_spectra import QuantityResult, RunResult
from buffet.trade import AxleLift
from ingest import SEVERITIES, Finding

# Messages of one kind shown in full; `check` lists them all.
MOST_MESSAGES = 6


@dataclass(frozen=True)
class CriterionRow:
    """One criterion of one configuration."""

    id: str
    metric: str
    limits: str
    p_possible: str
    p_likely: str
    mark: Mark | None
    why: str
    decisive: bool
    onset: str  # km/h


@dataclass(frozen=True)
class VerdictRow:
    """One configuration at the rated speed."""

    name: str
    mark: Mark
    why: str
    is_baseline: bool
    onset: str
    onset_why: str
    band: str
    criteria: tuple[CriterionRow, ...]
    strouhal: str
    mode: str
    model_reynolds: str
    speed_spread: str


def verdict_rows(rating: Rating) -> list[VerdictRow]:
    """Every configuration, worst first."""
    silent = not_rated(rating)
    return [_verdict_row(one, rating, silent) for one in rating.configurations]


def _verdict_row(one: ConfigurationRating, rating: Rating, silent: Container[str]) -> VerdictRow:
    """Without the criteria that are told once for all configurations."""
    low, high = one.usable_band_hz
    shed = one.shedding
    model = one.model_reynolds
    return VerdictRow(
        one.name,
        MARKS[one.verdict],
        one.why,
        one.name == rating.analysis.campaign.baseline,
        _onset(one),
        one.onset_why,
        f"{significant(low, 2)} to {significant(high, 2)} Hz",
        tuple(
            _criterion_row(row, row is one.decisive)
            for row in one.criteria
            if row.criterion.id not in silent
        ),
        NONE if shed is None else spanned(shed.strouhal, ".3f"),
        _mode(shed),
        NONE if model is None else " to ".join(dict.fromkeys(map(reynolds, model))),
        NONE if one.speed_spread is None else f"{100 * one.speed_spread:.1f} %",
    )


def _mode(shed: Shedding | None) -> str:
    if shed is None:
        return NONE
    nearest = "" if shed.mode is None else f"; nearest: {shed.mode}, {shed.mode_hz:.1f} Hz"
    return f"{shed.frequency_hz:.1f} Hz{nearest}"


def _onset(one: ConfigurationRating) -> str:
    if one.onset is None or one.onset.speed_m_s is None:
        return NONE
    return f"{spanned(one.onset.speed_m_s, '.0f', 3.6)} km/h"


def _criterion_row(row: CriterionRating, decisive: bool) -> CriterionRow:
    unit = "" if row.criterion.unit == "1" else f" {row.criterion.unit}"
    reached = None if row.onset is None else row.onset.speed_m_s
    least = "at least " if row.verdict == "undetermined" else ""
    return CriterionRow(
        row.criterion.id,
        NONE if row.metric is None else f"{least}{spanned(row.metric)}{unit}",
        # the metric beside it has the unit already
        f"{row.criterion.possible:g} / {row.criterion.likely:g}{'' if row.metric else unit}",
        probability(row.p_possible),
        probability(row.p_likely),
        None if row.verdict is None else MARKS[row.verdict],
        row.why or "",
        decisive,
        NONE if reached is None else spanned(reached, ".0f", 3.6),
    )


@dataclass(frozen=True)
class CostRow:
    """What one add-on changes against the baseline; differences are add-on minus baseline."""

    name: str
    mark: Mark
    drag: str
    drag_percent: str
    front_lift: str
    rear_lift: str
    fuel: str
    energy: tuple[str, ...]  # by road load: at the road speed, and over the trace where one is
    top_speed: str
    missing: str


def cost_rows(comparison: Comparison) -> list[CostRow]:
    """One row an add-on."""
    return [_cost_row(one, comparison.speed_trace) for one in comparison.add_ons]


def _cost_row(one: AddOn, trace: SpeedTrace | None) -> CostRow:
    whys = [*one.missing.values(), *reasons(one.road_load, trace)]
    return CostRow(
        one.name,
        MARKS[one.rating.verdict],
        spanned(one.delta_drag, "+.4f"),
        spanned(one.drag_change_percent, "+.1f"),
        spanned(one.delta_front_lift, "+.3f"),
        spanned(one.delta_rear_lift, "+.3f"),
        spanned(one.fuel_change_percent, "+.1f"),
        tuple(spanned(own, "+.1f") for _, own in energy_changes(one.road_load, trace)),
        spanned(one.top_speed_change_percent, "+.1f"),
        "; ".join(dict.fromkeys(whys)),
    )


@dataclass(frozen=True)
class LiftRow:
    """Mean lift of one configuration's axles at the road speed; front and rear each."""

    name: str
    axles: tuple[tuple[str, str, str, str], ...]  # N, % of weight, change in N, change in %


def lift_rows(comparison: Comparison) -> list[LiftRow]:
    """The baseline first; none where no lift was measured."""
    every = [(comparison.baseline.name, comparison.baseline_lift)]
    every += [(one.name, one.lift_balance) for one in comparison.add_ons]
    if not any(axles for _, axles in every):
        return []
    return [LiftRow(name, tuple(_lift(axles.get(word)) for word in AXLES)) for name, axles in every]


def _lift(axle: AxleLift | None) -> tuple[str, str, str, str]:
    if axle is None:
        return (NONE, NONE, NONE, NONE)
    return (
        spanned(axle.lift_n, ".0f"),
        spanned(axle.share, ".1f", 100),
        spanned(axle.delta_n, "+.0f"),
        spanned(axle.delta_share, "+.1f", 100),
    )


def ratio_table(
    comparison: Comparison,
) -> tuple[list[str], list[tuple[str, list[tuple[str, str, str]]]]]:
    """Components, and for each add-on its name with RMS ratio, p-value and finding by component."""
    words = list(dict.fromkeys(word for one in comparison.add_ons for word in one.rms_ratio))
    rows = [
        (
            one.name,
            [
                (
                    spanned(one.rms_ratio.get(word), ".2f"),
                    p_value(one.p_value.get(word)),
                    finding_of(one, word, comparison.equal_within) if word in one.rms_ratio else "",
                )
                for word in words
            ],
        )
        for one in comparison.add_ons
    ]
    return words, rows


@dataclass(frozen=True)
class RunRow:
    """One run as it was analysed."""

    number: str
    configuration: str
    speed: str
    reynolds: str
    duration: str
    resolution: str
    strouhal: str
    strouhal_why: str
    lift_rms: str


def run_rows(results: Sequence[RunResult]) -> list[RunRow]:
    """Every wind-on run that could be read."""
    return [_run_row(result) for result in results]


def _run_row(result: RunResult) -> RunRow:
    analysis, flow = result.analysis, result.analysis.flow
    lift = _quantity(result, "lift")
    return RunRow(
        analysis.run.number,
        analysis.run.configuration or NONE,
        NONE if flow is None else f"{flow.speed_m_s:.1f}",
        reynolds(None if flow is None else flow.reynolds),
        f"{analysis.spectra.duration_s:.0f}",
        significant(1 / analysis.segment_s, 2),
        spanned(result.strouhal, ".3f"),
        result.strouhal_why,
        NONE if lift is None else spanned(lift.rms, ".4f"),
    )


def _quantity(result: RunResult, measures: str) -> QuantityResult | None:
    return next((q for q in result.quantities if q.quantity.measures == measures), None)


@dataclass(frozen=True)
class FindingGroup:
    """Findings of one kind with one advice."""

    severity: str
    code: str
    advice: str
    messages: tuple[str, ...]  # "run 014, lift: …"
    more: int


def finding_groups(findings: Sequence[Finding]) -> list[FindingGroup]:
    """Worst first; alike ones together, so that a long campaign stays readable."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.severity, finding.code, finding.advice), []).append(finding)
    ordered = sorted(groups.items(), key=lambda item: SEVERITIES.index(item[0][0]))
    return [
        FindingGroup(
            severity,
            code,
            advice,
            tuple(f"{_where(one)}: {one.message}" for one in found[:MOST_MESSAGES]),
            max(len(found) - MOST_MESSAGES, 0),
        )
        for (severity, code, advice), found in ordered
    ]


def _where(finding: Finding) -> str:
    return f"run {finding.run}" + (f", {finding.channel}" if finding.channel else "")
