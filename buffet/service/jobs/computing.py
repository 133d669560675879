"""One analysis in a worker process: the same steps as the commands, into one file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buffet import documents
from buffet.analysis import CampaignAnalysis, Progress, RunRead, analyse
from buffet.comparing import ComparisonSettings, compare
from buffet.one_pass import AnalysisSettings
from buffet.rating.onset import HIGHEST_SPEED_M_S
from buffet.rating.rate import Rating, RatingSettings, chosen_car
from buffet.recipes import RatingRecipe
from buffet.service.jobs.requests import SpectraSettings
from buffet.service.jobs.run_store import RunStore
from ingest import Campaign, open_campaign, zeros_of

JSON = "application/json"


@dataclass(frozen=True)
class Task:
    """What a worker is told: nothing of it is a path that a request named."""

    kind: str
    settings: Mapping[str, Any]
    files: Mapping[str, str]  # of the campaign: digests by name
    folder: Path  # the campaign, laid out
    output: Path  # the file to write


class Computer:
    """Computes tasks one after another, keeping the runs that the last one read."""

    def __init__(self) -> None:
        self._runs: dict[str, RunRead] = {}

    def run(self, task: Task, progress: Progress) -> str:
        """Write the result of a task; returns its media type.

        Raises
        ------
        BuffetError, IngestError
            What a command would have said.
        """
        campaign = open_campaign(task.folder, unfinished=True)
        return _KINDS[task.kind](self, campaign, task, progress)

    def analysis(
        self, campaign: Campaign, task: Task, settings: AnalysisSettings, progress: Progress
    ) -> CampaignAnalysis:
        """Of all runs; those that are as they were when they were last read are not read again."""
        store = RunStore(campaign, task.files, settings, self._runs)
        found = analyse(campaign, settings=settings, progress=progress, store=store)
        self._runs = store.used
        return found

    def rating(
        self, campaign: Campaign, task: Task, recipe: RatingRecipe, progress: Progress
    ) -> Rating:
        """Refused before any recording is read, where it must be."""
        recipe.require(campaign)
        asked = AnalysisSettings(keeps=recipe.keeps)
        analysis = recipe.prepared(self.analysis(campaign, task, asked, progress))
        return recipe.rate(analysis, progress)


def _recipe(
    campaign: Campaign,
    asked: Mapping[str, Any],
    speed: float,
    up_to: float,
    more: tuple[float, ...] = (),
    *,
    needs_baseline: bool = False,
) -> RatingRecipe:
    from buffet.rating.criteria import read_criteria
    from buffet.rating.wind import Wind
    from buffet.vehicle import GOOD_MOTORWAY, road_from

    settings = RatingSettings(
        speed,
        more,
        up_to,
        read_criteria(),
        road_from(asked["road"], files=False) if asked["road"] else GOOD_MOTORWAY,
        vehicle=chosen_car(campaign, asked["car"]) if asked["car"] else None,
        wind=None if asked["wind"] is None else Wind(asked["wind"]),
    )
    without_lines = asked.get("without_lines", False)  # which a report does not ask
    return RatingRecipe(settings, asked["without_tunnel"], without_lines, needs_baseline)


def _write_json(task: Task, document: dict[str, Any]) -> str:
    task.output.write_text(documents.dumps(document) + "\n", encoding="utf-8")
    return JSON


def _rate(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    asked = task.settings
    recipe = _recipe(campaign, asked, asked["speed"], asked["up_to"])
    return _write_json(
        task, documents.rating_document(computer.rating(campaign, task, recipe, progress))
    )


def _table(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.rating.table import road_table, table_speeds

    asked = task.settings
    speeds = table_speeds(asked["lowest"], asked["highest"], asked["step"])
    recipe = _recipe(campaign, asked, asked["lowest"], asked["highest"], tuple(speeds))
    rating = computer.rating(campaign, task, recipe, progress)
    return _write_json(task, documents.table_document(road_table(rating, speeds), rating))


def _compare(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.comparison_document import comparison_document

    asked = task.settings
    recipe = _recipe(campaign, asked, asked["speed"], asked["speed"], needs_baseline=True)
    rating = computer.rating(campaign, task, recipe, progress)
    settings = ComparisonSettings(asked["fuel_elasticity"], asked["equal_within"], None)
    return _write_json(task, comparison_document(compare(rating, settings)))


def _report(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.report import report_html

    asked = task.settings
    recipe = _recipe(campaign, asked, asked["speed"], asked["up_to"])
    rating = computer.rating(campaign, task, recipe, progress)
    settings = ComparisonSettings(asked["fuel_elasticity"])
    comparison = compare(rating, settings) if rating.has_comparison else None
    progress("drawing the report")
    page = report_html(comparison, rating, rating.findings, _as_options(asked))
    task.output.write_text(page, encoding="utf-8")
    return "text/html; charset=utf-8"


def _as_options(asked: Mapping[str, Any]) -> dict[str, str]:
    """Settings as the report tells them: by the command line's names, in its units."""
    told = {"--speed": f"{asked['speed'] * 3.6:.4g} km/h"}
    if asked["up_to"] != HIGHEST_SPEED_M_S:
        told["--up-to"] = f"{asked['up_to'] * 3.6:.4g} km/h"
    if asked["fuel_elasticity"] is not None:
        told["--fuel-elasticity"] = f"{asked['fuel_elasticity']:g}"
    for name in ("road", "car"):
        if asked[name]:
            told[f"--{name}"] = str(asked[name])
    if asked["wind"] is not None:
        told["--wind"] = f"{asked['wind']:g} m/s"
    if asked["without_tunnel"]:
        told["--without-tunnel"] = ""
    return told


def _board(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.board.document import board_document

    asked = task.settings
    recipe = _recipe(campaign, asked, asked["speed"], HIGHEST_SPEED_M_S)
    rating = computer.rating(campaign, task, recipe, progress)
    comparison = compare(rating) if rating.has_comparison else None
    return _write_json(task, board_document(rating, comparison))


def _spectra(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    return _write_json(task, _spectra_document(campaign, task.settings, progress))


def _spectra_document(
    campaign: Campaign, asked: Mapping[str, Any], progress: Progress
) -> dict[str, Any]:
    from buffet.parts import PartSettings
    from buffet.recipes import SpectraRecipe
    from buffet.spectra_outputs import spectra_document

    recipe = SpectraRecipe(
        asked["run"],
        tuple(asked["what"]),
        asked["resolution"],
        PartSettings(asked["speed"]),
        asked["without_tunnel"],
        asked["without_lines"],
    )
    analysis, runs = recipe.analysed(campaign, progress)
    return spectra_document(analysis, runs)


def _check(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.checking import check

    return _write_json(task, documents.check_document(check(campaign, progress)))


def _run(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.board.signals import signal_envelopes

    run = campaign.run(task.settings["run"])
    asked = SpectraSettings(run=run.number).values()
    spectra = _spectra_document(campaign, asked, progress)
    progress("signals")
    zeros = zeros_of(campaign, run) if run.kind == "wind-on" else {}
    found = spectra["runs"][0] if spectra["runs"] else None
    document: dict[str, Any] = {
        "run": found,
        "failed": spectra["failed"],
        "signals": signal_envelopes(campaign, run, zeros) if found else None,
        "signals_why": None if found else "the run could not be read",
    }
    return _write_json(task, document)


def _export(computer: Computer, campaign: Campaign, task: Task, progress: Progress) -> str:
    from buffet.exporting.export import Export

    suffix = f".{task.settings['suffix']}"
    run = campaign.run(task.settings["run"])
    Export(campaign, run, progress).writers()[suffix](task.output)
    return "application/octet-stream"


_KINDS: dict[str, Callable[[Computer, Campaign, Task, Progress], str]] = {
    "rate": _rate,
    "table": _table,
    "compare": _compare,
    "report": _report,
    "board": _board,
    "spectra": _spectra,
    "check": _check,
    "run": _run,
    "export": _export,
}
