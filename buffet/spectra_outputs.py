"""What `spectra` gives: text, JSON, table rows and pictures of runs and their parts."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from buffet import documents
from buffet import spectra_text as told
from buffet.analysis import CampaignAnalysis
from buffet.errors import OutputError
from buffet.json_values import Document
from buffet.parts import Absent
from buffet.run_spectra import RunResult
from buffet.spectra_parts import PARTS, SPECTRUM, Part, RunParts, chosen
from buffet.terminal import paragraph
from buffet.writing import PICTURES, Writer, columns, row_writers

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def spectra_document(analysis: CampaignAnalysis, runs: Sequence[RunParts]) -> Document:
    """The JSON of all runs, each with an entry a part."""
    document = documents.spectra_document(analysis, tuple(run.result for run in runs))
    for entry, run in zip(document["runs"], runs, strict=True):
        entry |= run.documents()
    return document


def spectra_text(runs: Sequence[RunParts], words: Sequence[str]) -> str:
    """For a terminal: each run's spectra and the parts asked for."""
    parts = [[part.text(run.found[part.word]) for part in chosen(words)] for run in runs]
    if not words or SPECTRUM in words:
        return told.spectra_text([run.result for run in runs], parts)
    heads = [paragraph(told.run_name(run.result)) for run in runs]
    return "\n\n".join("\n\n".join([head, *own]) for head, own in zip(heads, parts, strict=True))


def spectra_writers(
    analysis: CampaignAnalysis, runs: Sequence[RunParts], words: Sequence[str]
) -> dict[str, Writer]:
    """JSON, one table row a run and quantity, or a picture.

    A picture shows the part asked for, the spectra where none was; a PDF one page a part asked for.
    """
    rows = spectra_rows([run.result for run in runs])
    document = documents.document_writer(lambda: spectra_document(analysis, runs))
    pictures: dict[str, Writer] = {
        suffix: partial(_draw, runs, tuple(words) or (SPECTRUM,)) for suffix in PICTURES
    }
    return {".json": document, **row_writers(rows), **pictures}


def spectra_rows(results: Sequence[RunResult]) -> list[dict[str, Any]]:
    """One a run and quantity."""
    return [_row(result, i) for result in results for i in range(len(result.quantities))]


def _draw(runs: Sequence[RunParts], words: Sequence[str], path: Path) -> None:
    from buffet.report import draw_figures

    builds, lacking = [], []
    for word in words:
        if word == SPECTRUM:
            builds.append(partial(_spectra_figure, runs))
            continue
        (part,) = (one for one in PARTS if one.word == word)
        if not part.is_drawn:
            lacking.append(f"{word} is a table alone")
        elif found := [(run.result, run.found[word]) for run in runs if _has(run, part)]:
            builds.append(partial(part.figure, found))
        else:
            lacking.append(f"{word}: {runs[0].found[word].why}" if runs else word)
    if not builds:
        raise OutputError(f"there is nothing to draw: {'; '.join(lacking)}")
    draw_figures(builds, path)


def _has(run: RunParts, part: Part) -> bool:
    return not isinstance(run.found[part.word], Absent)


def _spectra_figure(runs: Sequence[RunParts]) -> Figure:
    from buffet.report import run_figure

    drawn: Figure = run_figure([run.result for run in runs])
    return drawn


def _row(result: RunResult, index: int) -> dict[str, Any]:
    quantity = result.quantities[index]
    flow = result.analysis.flow
    return {
        "run": result.analysis.run.number,
        "configuration": result.analysis.run.configuration,
        "speed_m_s": None if flow is None else flow.speed_m_s,
        "quantity": quantity.quantity.name,
        "measures": quantity.quantity.measures,
        "unit": quantity.quantity.unit,
        **columns("mean", quantity.mean),
        **columns("rms", quantity.rms),
        **columns("strouhal", result.strouhal),
        "blockage_correction": None if flow is None else flow.blockage.method,
        "dynamic_pressure_factor": None if flow is None else flow.blockage.dynamic_pressure_factor,
    }
