"""Which suffixes each command writes, and with what."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from buffet import documents
from buffet.comparison_document import comparison_document
from buffet.road_load.document import change_columns
from buffet.road_wording import road_columns
from buffet.wind_wording import wind_columns
from buffet.writing import PICTURES, Writer, columns, row_writers

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from buffet.analysis import CampaignAnalysis
    from buffet.cabin.open_cabin import OpenCabinFigures
    from buffet.comparing import Comparison
    from buffet.rating.rate import Rating
    from buffet.rating.table import TableRow
    from buffet.resonance.estimate import CampaignResonance
    from buffet.sweep.sweep import Sweep
    from buffet.vehicle import CarSummary


def _blockage(analysis: CampaignAnalysis) -> dict[str, Any]:
    """The correction as three columns."""
    low, high = analysis.blockage.factors
    return {
        "blockage_correction": analysis.blockage.method,
        "dynamic_pressure_factor_low": low,
        "dynamic_pressure_factor_high": high,
    }


def car_writers(summary: CarSummary, cabin: OpenCabinFigures | None = None) -> dict[str, Writer]:
    """JSON, one table row an output, component and frequency, or a picture of the responses."""
    from buffet.car_document import car_document, response_rows

    def draw(path: Path) -> None:
        from buffet.report import draw_car

        draw_car(summary, path, cabin)

    document = documents.document_writer(lambda: car_document(summary, cabin))
    rows = row_writers(response_rows(summary))
    return {".json": document, **rows, **dict.fromkeys(PICTURES, draw)}


def resonance_writers(found: CampaignResonance) -> dict[str, Writer]:
    """JSON, one table row a run, channel and mode, or a picture of decays and spectra."""
    from buffet.resonance_document import resonance_document

    def draw(path: Path) -> None:
        from buffet.report import draw_resonance

        draw_resonance(found.runs, path)

    rows = [
        {
            "run": run.run.number,
            "kind": run.kind,
            "channel": one.channel.name,
            "measures": one.channel.measures,
            **columns("natural_frequency_hz", mode.natural_frequency_hz if mode else None),
            **columns("damping", mode.damping if mode else None),
            "share": mode.share if mode else None,
            "strikes": mode.count if mode and run.kind == "tap" else None,
            "why": one.why or None,
        }
        for run in found.runs
        for one in run.channels
        for mode in (one.modes or (None,))
    ]
    document = documents.document_writer(lambda: resonance_document(found))
    return {".json": document, **row_writers(rows), **dict.fromkeys(PICTURES, draw)}


def rating_rows(rating: Rating) -> list[dict[str, Any]]:
    """One a configuration and criterion."""
    return [
        {
            "configuration": one.name,
            "verdict": one.verdict,
            **columns("onset_speed_m_s", one.onset.speed_m_s if one.onset else None),
            "criterion": row.criterion.id,
            "unit": row.criterion.unit,
            **columns("metric", row.metric),
            "limit_possible": row.criterion.possible,
            "limit_likely": row.criterion.likely,
            "p_possible": row.p_possible,
            "p_likely": row.p_likely,
            "criterion_verdict": row.verdict,
            **_blockage(rating.analysis),
            **road_columns(rating.road),
            **wind_columns(rating.wind),
        }
        for one in rating.configurations
        for row in one.criteria
    ]


def comparison_rows(comparison: Comparison) -> list[dict[str, Any]]:
    """One an add-on and component."""
    return [
        {
            "configuration": one.name,
            "component": word,
            **columns("rms_ratio", ratio),
            "p_value": one.p_value[word],
            "equivalence_p_value": one.equivalence_p_value[word],
            "detectable_change_percent": 100 * one.detectable[word],
            "runs_to_show": one.runs_to_show[word],
            "not_flow_share": one.rig[word].share if word in one.rig else None,
            **columns("felt_ratio", one.felt_ratio),
            "felt_p_value": one.felt_p_value,
            **columns("delta_drag", one.delta_drag),
            **columns("delta_front_lift", one.delta_front_lift),
            **columns("delta_rear_lift", one.delta_rear_lift),
            **columns("fuel_change_percent", one.fuel_change_percent),
            **change_columns(one.road_load),
            **columns("top_speed_change_percent", one.top_speed_change_percent),
            **_blockage(comparison.rating.analysis),
            **road_columns(comparison.rating.road),
            **wind_columns(comparison.rating.wind),
        }
        for one in comparison.add_ons
        for word, ratio in one.rms_ratio.items()
    ]


def table_rows(rows: Sequence[TableRow], rating: Rating) -> list[dict[str, Any]]:
    """The table with what it rests on."""
    basis = _blockage(rating.analysis) | road_columns(rating.road) | wind_columns(rating.wind)
    return [row.as_columns() | basis for row in rows]


def rating_writers(rating: Rating, figures: Sequence[str] = ()) -> dict[str, Writer]:
    """JSON, one table row a configuration and criterion, or a picture over road speed.

    The picture is that of the criteria unless others are asked for; a PDF takes one a page.
    """

    def draw(path: Path) -> None:
        from buffet.report import draw_rating

        draw_rating(rating, figures or ("speed",), path)

    rows = rating_rows(rating)
    document = documents.document_writer(lambda: documents.rating_document(rating))
    return {".json": document, **row_writers(rows), **dict.fromkeys(PICTURES, draw)}


def table_writers(rows: tuple[TableRow, ...], rating: Rating) -> dict[str, Writer]:
    """JSON, or the table itself."""
    document = documents.document_writer(lambda: documents.table_document(rows, rating))
    return {".json": document, **row_writers(table_rows(rows, rating))}


def comparison_writers(comparison: Comparison, figures: Sequence[str] = ()) -> dict[str, Writer]:
    """JSON, one table row an add-on and component, or a picture.

    The picture is that of the changes unless others are asked for; a PDF takes one a page.
    """

    def draw(path: Path) -> None:
        from buffet.report import draw_comparison

        draw_comparison(comparison, figures or ("changes",), path)

    rows = comparison_rows(comparison)
    document = documents.document_writer(lambda: comparison_document(comparison))
    return {".json": document, **row_writers(rows), **dict.fromkeys(PICTURES, draw)}


def sweep_writers(sweep: Sweep) -> dict[str, Writer]:
    """JSON, one table row a configuration, quantity and run, or a picture."""
    from buffet.sweep.document import sweep_document

    def draw(path: Path) -> None:
        from buffet.report import draw_sweep

        draw_sweep(sweep, path)

    rows = [
        {
            "configuration": one.configuration,
            "yaw_deg": one.yaw_deg,
            "quantity": trend.quantity,
            "run": point.run,
            "speed_m_s": point.speed_m_s,
            "reynolds": point.reynolds,
            "up_to_frequency_over_speed_per_m": trend.up_to_per_m,
            **columns("rms", point.rms),
            **columns("whole_rms", point.whole_rms),
            "taken_out_share": point.taken_out,
            "unseen_share": point.unseen,
            "counts": point.counts,
            **columns("change_per_doubling", trend.per_doubling),
            "statement": trend.statement,
            **_blockage(sweep.analysis),
        }
        for one in sweep.configurations
        for trend in one.trends
        for point in trend.points
    ]
    document = documents.document_writer(lambda: sweep_document(sweep))
    return {".json": document, **row_writers(rows), **dict.fromkeys(PICTURES, draw)}
