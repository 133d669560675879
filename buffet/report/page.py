"""The report: one self-contained HTML file that a client can open and print."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from buffet.cautions import cautions
from buffet.comparing import Comparison
from buffet.crossings.modes import resonates
from buffet.interval import LEVEL
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
from buffet.report.tables import (
    cost_rows,
    finding_groups,
    lift_rows,
    ratio_table,
    run_rows,
    verdict_rows,
)
from buffet.report.wording import MARKS, km_h, reynolds, spanned
from buffet.road_load.energy import RoadLoadModel
from buffet.road_load.text import road_load_text
from buffet.road_wording import road_text
from buffet.spectral.starts import SIGNIFICANCE
from buffet.trade import ELASTICITY, ELASTICITY_SPEED_M_S
from buffet.wind_wording import RATIOS_WITHOUT_WIND, wind_text
from ingest import Finding

if TYPE_CHECKING:
    from jinja2 import Environment


def report_html(comparison: Comparison | None, rating: Rating, findings: Sequence[Finding]) -> str:
    """One HTML page with everything inside: no scripts, no links out, no date.

    Parameters
    ----------
    comparison : None where the campaign states no baseline
    findings : of all runs
    """
    environment = _environment()
    context = _head(rating) | _results(comparison, rating) | _sources(rating, findings)
    trace = None if comparison is None else comparison.speed_trace
    context["elasticity"] = _elasticity(comparison)
    context["road_load"] = road_load_text(RoadLoadModel.of(rating.vehicle), trace)
    context["has_speed_trace"] = trace is not None
    css = environment.loader.get_source(environment, "report.css")[0]  # type: ignore[union-attr]
    return environment.get_template("report.html.j2").render(context, css=css)


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("buffet.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _head(rating: Rating) -> dict[str, Any]:
    analysis = rating.analysis
    return {
        "title": analysis.campaign.title,
        "folder": analysis.campaign.folder.resolve().name,
        "speed": km_h(rating.speed_m_s),
        "up_to": km_h(rating.up_to_m_s),
        "failed": analysis.failed,
        "version": version("buffeting"),
        "level": f"{LEVEL:.0%}".replace("%", " %"),
        "marks": MARKS,
    }


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
        "costs": [] if comparison is None else cost_rows(comparison),
        "lifts": [] if comparison is None else lift_rows(comparison),
        "ratio_words": words,
        "ratios": ratios,
        "speed_figures": speed_figures(rating),
        "crossing_figures": crossing_figures(rating),
        "spectrum_figures": spectrum_figures(rating),
        "rms_figure": rms_page_figure(rating, bars),
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


def _sources(rating: Rating, findings: Sequence[Finding]) -> dict[str, Any]:
    whole = rating.full_scale
    model = rating.analysis.campaign.model
    return {
        "runs": run_rows(rating.results),
        "finding_groups": finding_groups(findings),
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
