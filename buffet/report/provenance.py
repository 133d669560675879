"""What the report rests on: every file with its digest, settings as used, steps taken."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from buffet.comparing import Comparison
from buffet.interval import LEVEL
from buffet.lines_out import lines_out_text
from buffet.rating.rate import Rating
from buffet.report.wording import km_h
from buffet.road_wording import road_text
from buffet.spectral.starts import SIGNIFICANCE
from buffet.spectral.uncertainty import RESAMPLES
from buffet.wind_wording import wind_text
from ingest import file_digest


class FileRow(NamedTuple):
    """One file that was read."""

    name: str
    what: str
    sha256: str


class StepsRow(NamedTuple):
    """Runs that were read and treated alike."""

    runs: str
    reader: str
    steps: str


def file_rows(rating: Rating, options: Mapping[str, str]) -> list[FileRow]:
    """Sheets, recordings, and files that were named beside the campaign.

    Parameters
    ----------
    options : as given on the command line, by name
    """
    analysis = rating.analysis
    sheets = [FileRow(one.name, "sheet", one.sha256) for one in analysis.campaign.files]
    recordings = [
        FileRow(file.name, f"recording of run {run.run.number}", file.sha256)
        for run in analysis.chosen(None)
        for file in run.provenance.files
    ]
    named = [
        FileRow(Path(text).name, f"named by {option}", file_digest(Path(text)))
        for option, text in options.items()
        if _is_file(text)
    ]
    return list(dict.fromkeys((*sheets, *recordings, *named)))


def _is_file(text: str) -> bool:
    try:
        return bool(text) and Path(text).is_file()
    except (OSError, ValueError):  # too long for a name, or no text for one
        return False


def steps_rows(rating: Rating) -> list[StepsRow]:
    """Readers and steps, the runs that share them together."""
    groups: dict[tuple[str, str], list[str]] = {}
    for run in rating.analysis.chosen(None):
        steps = ", ".join(dict.fromkeys(step.name for step in run.provenance.steps))
        groups.setdefault((run.provenance.reader, steps), []).append(run.run.number)
    return [StepsRow(", ".join(runs), *key) for key, runs in groups.items()]


def settings_rows(
    comparison: Comparison | None, rating: Rating, options: Mapping[str, str]
) -> list[tuple[str, str]]:
    """What was chosen and what stood in its place where nothing was: name and value."""
    analysis = rating.analysis
    segments = sorted({f"{run.segment_s:.3g}" for run in analysis.runs})
    given = [f"{option} {_shown(text)}".strip() for option, text in options.items()]
    rows = [
        ("Options given", ", ".join(given) or "none"),
        ("Road speed rated", f"{km_h(rating.speed_m_s)} km/h"),
        ("Onset searched up to", f"{km_h(rating.up_to_m_s)} km/h"),
        ("Car", f"{rating.vehicle.name} ({rating.vehicle.source})"),
        ("Road", road_text(rating.road, rating.road_track_m).removeprefix("Road: ")),
        ("Wind", wind_text(rating.wind).removeprefix("Wind: ") or "still air"),
        ("Criteria", rating.criteria.source),
        ("Baseline", analysis.campaign.baseline or "none"),
        ("Blockage", analysis.blockage.text),
        (
            "Tunnel's own unsteadiness",
            "taken out by the reference probes" if rating.with_tunnel else "left in",
        ),
        ("Pure lines", lines_out_text(analysis.runs) or "left in"),
        ("Segments", f"{', '.join(segments)} s, Hann window, half overlapped"),
        ("Significance of peaks", f"{SIGNIFICANCE:g}"),
        ("Intervals", f"{100 * LEVEL:.0f} %, {RESAMPLES} bootstrap samples"),
    ]
    if comparison is not None:
        rows.append(("Fuel per drag", f"{comparison.fuel_elasticity:.2g} % for each %"))
    return rows


def _shown(text: str) -> str:
    """Files by their name: folders of the one who ran it are nobody's business."""
    return Path(text).name if _is_file(text) else text
