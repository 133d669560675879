"""The parts of `spectra`: where each is computed, told, documented and drawn.

A part called `word` is a package `buffet.word`: `part.of_run(result, settings)` gives its result or
Absent, `text.text(found)` and `document.document(found)` tell it, and, where it has a figure,
`buffet.report.word_figure.figure(found)` draws it for pairs of a run's result and its part. Nothing
of it is loaded before it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

from buffet.errors import LoadError, UnknownQuantityError
from buffet.one_pass import FOR_LINES, Keep
from buffet.parts import Absent, Load, PartSettings
from buffet.run_spectra import RunResult
from buffet.terminal import paragraph
from ingest import FORCES, MOMENTS, PRESSURES, Run

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SPECTRUM = "spectrum"  # what every run has: means, RMS, PSD, peaks
NOT_ASKED = "it was not asked for"


@dataclass(frozen=True)
class Part:
    """A part by its word."""

    word: str
    heading: str
    keeps: frozenset[Keep]  # what the pass must keep for it
    is_drawn: bool = True

    def of_run(self, result: RunResult, settings: PartSettings) -> Any:
        """Of one run; Absent where it cannot have it."""
        return import_module(f"buffet.{self.word}.part").of_run(result, settings)

    def text(self, found: Any) -> str:
        """For a terminal, under its heading."""
        if isinstance(found, Absent):
            return paragraph(f"{self.heading}: none, {found.why}.")
        return str(import_module(f"buffet.{self.word}.text").text(found))

    def document(self, found: Any) -> dict[str, Any]:
        """For JSON, at keys `word` and `word_why`."""
        if isinstance(found, Absent):
            return {self.word: None, f"{self.word}_why": found.why}
        own = import_module(f"buffet.{self.word}.document").document(found)
        return {self.word: own, f"{self.word}_why": None}

    def figure(self, found: Sequence[tuple[RunResult, Any]]) -> Figure:
        """Of the runs that have it."""
        module = import_module(f"buffet.report.{self.word}_figure")
        drawn: Figure = module.figure(found)
        return drawn


# In the order in which they are told.
PARTS: tuple[Part, ...] = (
    Part("lines", "Lines", FOR_LINES),
    Part("coherence", "Coherence", frozenset({"matrix", "tapers"})),
    Part("taps", "Taps", frozenset({"matrix", "copy"})),
    Part("wavelets", "Wavelets", frozenset({"copy"})),
    Part("switching", "Two states", frozenset({"copy"})),
    Part("extremes", "Extremes", frozenset({"copy"})),
    Part("cabin", "Cabin pressure", frozenset()),
    Part("length", "Record length", frozenset(), is_drawn=False),
)
WORDS = (SPECTRUM, *(part.word for part in PARTS))


@dataclass(frozen=True)
class RunParts:
    """One run's result and the parts that were asked for."""

    result: RunResult
    found: Mapping[str, Any]  # by word

    def documents(self) -> dict[str, Any]:
        """Entries of the run's JSON; null with the reason where a part was not asked for."""
        entries: dict[str, Any] = {}
        for part in PARTS:
            entries |= part.document(self.found.get(part.word, Absent(NOT_ASKED)))
        return entries


def require_names(runs: Sequence[Run], names: Sequence[str]) -> None:
    """Refuse names that no run can have as a quantity, before any recording is read.

    Raises
    ------
    UnknownQuantityError
        A name is neither a channel's nor a force's or moment's that others may add up to.
    """
    known = dict.fromkeys(channel.name for run in runs for channel in run.channels)
    known |= dict.fromkeys((*FORCES, *MOMENTS))
    for name in names:
        if name not in known:
            raise UnknownQuantityError(name, list(known))


def require_loads(runs: Sequence[Run], loads: Sequence[Load]) -> None:
    """Refuse loads in a unit that their quantity cannot have.

    Raises
    ------
    LoadError
        A moment in newtons, say. What is no force, moment or pressure is left to the run.
    """
    measures = {channel.name: channel.measures for run in runs for channel in run.channels}
    for load in loads:
        word = measures.get(load.quantity, load.quantity)
        units = {unit for words, unit in _UNITS if word in words}
        if units and load.unit not in {"1", *units}:
            raise LoadError(load.quantity, f"a {word}", load.unit, *units)


_UNITS = ((FORCES, "N"), (MOMENTS, "N m"), (PRESSURES, "Pa"))


def chosen(words: Sequence[str]) -> tuple[Part, ...]:
    """The parts of these words; of no words all."""
    return tuple(part for part in PARTS if not words or part.word in words)


def keeps(words: Sequence[str]) -> frozenset[Keep]:
    """What the pass must keep for them."""
    return frozenset[Keep]().union(*(part.keeps for part in chosen(words)))


def with_parts(
    results: Sequence[RunResult],
    words: Sequence[str],
    settings: PartSettings,
    progress: Callable[[str], None],
) -> tuple[RunParts, ...]:
    """Every run with the parts asked for."""
    told = []
    for result in results:
        found = {}
        for part in chosen(words):
            progress(f"run {result.analysis.run.number}: {part.heading.lower()}")
            found[part.word] = part.of_run(result, settings)
        told.append(RunParts(result, found))
    return tuple(told)
