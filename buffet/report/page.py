"""The report: one self-contained HTML file that a client can open and print."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping, Sequence
from hashlib import sha256
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from buffet.cautions import cautions
from buffet.comparing import Comparison
from buffet.crossings.modes import resonates
from buffet.interval import LEVEL
from buffet.phrases import listed
from buffet.rating.criteria import WORST_FIRST, Verdict
from buffet.rating.rate import Rating
from buffet.rating.unrated import not_rated
from buffet.report.felt_tables import FELT_AXES, budget_rows, felt_rows
from buffet.report.figures import (
    comparison_page_figure,
    crossing_figures,
    rms_bars,
    rms_page_figure,
    spectrum_figures,
    speed_figures,
)
from buffet.report.provenance import file_rows, settings_rows, steps_rows
from buffet.report.strip_figure import strip_drawing
from buffet.report.sweep_section import sweep_section
from buffet.report.switching_section import STEPS, states_rows, step_rows
from buffet.report.tables import (
    cost_rows,
    finding_groups,
    lift_rows,
    ratio_table,
    run_rows,
    verdict_rows,
)
from buffet.report.tap_section import tap_section
from buffet.report.trade_section import trade_section
from buffet.report.wording import km_h, reynolds, sort_value, spanned
from buffet.road_load.energy import RoadLoadModel
from buffet.road_load.text import road_load_text
from buffet.road_wording import road_text
from buffet.spectral.starts import SIGNIFICANCE
from buffet.trade import ELASTICITY, ELASTICITY_SPEED_M_S
from buffet.wind_wording import RATIOS_WITHOUT_WIND, wind_text
from ingest import SEVERITIES, Finding

if TYPE_CHECKING:
    from jinja2 import Environment


# Of the verdicts, as the first sentence says them.
_SAID: dict[Verdict, str] = {
    "likely": "likely to be felt buffeting",
    "possible": "possibly felt",
    "undetermined": "undetermined",
    "unlikely": "not likely to be felt",
}
_SHEETS = {"all": "report", "screen": "screen", "print": "print"}
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{}'"


def report_html(
    comparison: Comparison | None,
    rating: Rating,
    findings: Sequence[Finding],
    options: Mapping[str, str] | None = None,
) -> str:
    """One HTML page with everything inside: nothing loads from outside, no date.

    Its one script sorts tables; without it the page says the same.

    Parameters
    ----------
    comparison : None where the campaign states no baseline
    findings : of all runs
    options : as given on the command line, by name; files among them are hashed
    """
    environment = _environment()
    context = _head(comparison, rating) | _results(comparison, rating)
    context |= _signals(rating) | _sources(rating, findings)
    context |= _provenance(comparison, rating, options or {})
    context["elasticity"] = _elasticity(comparison)
    trace = None if comparison is None else comparison.speed_trace
    context["road_load"] = road_load_text(RoadLoadModel.of(rating.vehicle), trace)
    context["has_speed_trace"] = trace is not None
    script = _text(environment, "sort.js")
    return environment.get_template("report.html.j2").render(
        context,
        sheets={media: _text(environment, f"{name}.css") for media, name in _SHEETS.items()},
        script=script,
        policy=_POLICY.format(b64encode(sha256(script.encode()).digest()).decode()),
    )


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("buffet.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["sort_value"] = sort_value
    return environment


def _text(environment: Environment, name: str) -> str:
    """A file beside the templates, as it is."""
    return environment.loader.get_source(environment, name)[0]  # type: ignore[union-attr]


def _head(comparison: Comparison | None, rating: Rating) -> dict[str, Any]:
    analysis = rating.analysis
    return {
        "title": analysis.campaign.title,
        "folder": analysis.campaign.folder.resolve().name,
        "speed": km_h(rating.speed_m_s),
        "up_to": km_h(rating.up_to_m_s),
        "failed": analysis.failed,
        "version": version("buffeting"),
        "level": f"{LEVEL:.0%}".replace("%", " %"),
        "headline": _headline(rating),
        "strips": strip_drawing(rating),
        "titles": _titles(comparison, rating),
    }


def _headline(rating: Rating) -> str:
    """Which configurations are how likely to be felt, worst first."""
    names: dict[Verdict, list[str]] = {}
    for one in rating.configurations:
        names.setdefault(one.verdict, []).append(one.name)
    said = [
        f"{listed(names[verdict])} {'is' if len(names[verdict]) == 1 else 'are'} {_SAID[verdict]}"
        for verdict in WORST_FIRST
        if verdict in names
    ]
    return f"At {km_h(rating.speed_m_s)} km/h {'; '.join(said)}."


def _titles(comparison: Comparison | None, rating: Rating) -> dict[str, str]:
    """Headings by id, in the order of the page."""
    every = {
        "verdicts": f"Verdicts at {km_h(rating.speed_m_s)} km/h",
        "speed": "Over road speed",
        "crossings": "Where the wake's peaks meet the car's modes",
        "felt": "What is felt at the seat",
        "uncertainty": "Where the uncertainty comes from",
        "trade": "What is felt, against drag and rear lift",
        "costs": "What it costs",
        "rms": "How much each component fluctuates",
        "spectra": "Spectra",
        "taps": "Pressure taps",
        "switching": "Two states of the wake",
        "sweep": "Over wind speed: what scales, what still changes",
        "runs": "Runs",
        "findings": "Findings about the recordings",
        "car": "The car and the road",
        "criteria": "Criteria",
        "methods": "Methods",
        "cautions": "What this report does not say",
        "provenance": "Provenance",
    }
    compared = ("trade", "costs")
    return {id: t for id, t in every.items() if id not in compared or comparison is not None}


def _results(comparison: Comparison | None, rating: Rating) -> dict[str, Any]:
    bars = rms_bars(rating)
    sources, budget = budget_rows(rating)
    words, ratios = ([], []) if comparison is None else ratio_table(comparison)
    return {
        "verdicts": verdict_rows(rating),
        "not_rated": not_rated(rating),
        "felt": felt_rows(rating),
        "felt_axes": FELT_AXES,
        "budget_sources": sources,
        "budget": budget,
        "baseline": rating.analysis.campaign.baseline,
        "recommendation": None if comparison is None else comparison.recommendation,
        "trade": None if comparison is None else trade_section(comparison),
        "costs": [] if comparison is None else cost_rows(comparison),
        "lifts": [] if comparison is None else lift_rows(comparison),
        "ratio_words": words,
        "ratios": ratios,
        "speed_figures": speed_figures(rating),
        "crossing_figures": crossing_figures(rating),
        "spectrum_figures": spectrum_figures(rating),
        "rms_figure": rms_page_figure(rating, bars, comparison),
        "rms_words": list(bars),
        "rms_table": _rms_table(rating, bars),
        "comparison_figure": None if comparison is None else comparison_page_figure(comparison),
    }


def _rms_table(rating: Rating, bars: dict[str, Any]) -> list[tuple[str, list[str]]]:
    """Each configuration's RMS coefficients in the order of the components."""
    return [
        (one.name, [spanned(row.get(one.name), ".4f") for row in bars.values()])
        for one in rating.configurations
    ]


def _signals(rating: Rating) -> dict[str, Any]:
    """What stands behind the numbers: taps, states and wind speeds."""
    return {
        "taps": tap_section(rating),
        "states": states_rows(rating),
        "step_words": STEPS,
        "steps": step_rows(rating),
        "sweep": sweep_section(rating),
    }


def _provenance(
    comparison: Comparison | None, rating: Rating, options: Mapping[str, str]
) -> dict[str, Any]:
    return {
        "files": file_rows(rating, options),
        "settings": settings_rows(comparison, rating, options),
        "step_chains": steps_rows(rating),
    }


def _sources(rating: Rating, findings: Sequence[Finding]) -> dict[str, Any]:
    whole = rating.full_scale
    model = rating.analysis.campaign.model
    return {
        "runs": run_rows(rating.results),
        "finding_groups": finding_groups(findings),
        "severities": SEVERITIES,
        "cautions": cautions(in_wind=rating.wind is not None),
        "criteria": rating.criteria,
        "blockage": rating.analysis.blockage.text,
        "vehicle": rating.vehicle,
        "vehicle_stated": rating.car_chosen or rating.analysis.campaign.vehicle is not None,
        "modes": _modes(rating),
        "road": road_text(rating.road, rating.road_track_m).removeprefix("Road: "),
        "wind": wind_text(rating.wind),
        "ratios_without_wind": "" if rating.wind is None else RATIOS_WITHOUT_WIND,
        "full_scale": whole,
        "length_is": (model.strouhal_length_is if model else None) or "as stated",
        "road_reynolds": reynolds(rating.road_reynolds),
        "missing": sorted({word for one in rating.configurations for word in one.curves.missing}),
        "significance": f"{SIGNIFICANCE:g}",
        "segments": sorted({f"{run.segment_s:.3g}" for run in rating.analysis.runs}),
    }


def _modes(rating: Rating) -> list[str]:
    """Of the car at the rated speed, those that resonate."""
    car = rating.configurations[0].curves.setting.car
    modes = [mode for mode in car.modes(rating.speed_m_s) if resonates(mode)]
    return [f"{mode.name} {mode.natural_frequency_hz:.1f} Hz" for mode in modes]


def _elasticity(comparison: Comparison | None) -> str:
    """Of the fuel's change here, and the usual ones."""
    pairs = zip(ELASTICITY, ELASTICITY_SPEED_M_S, strict=True)
    usual = " to ".join(f"{share:g} at {km_h(speed)} km/h" for share, speed in pairs)
    return usual if comparison is None else f"{comparison.fuel_elasticity:.2g} (usually {usual})"
