"""Which tap a force follows, and coherence, phase and gain of the pairs asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buffet.coherence.cross_spectra import Mask, common_bins, line_bins
from buffet.coherence.curves import Curves, curves, share_channels
from buffet.coherence.links import Ranked, ranked
from buffet.parts import Absent, PartSettings
from buffet.quantity_samples import TUNNEL
from buffet.run_analysis import NO_MATRIX, NO_WIND, RunAnalysis
from buffet.run_spectra import RunResult
from ingest import FORCES, MOMENTS, PRESSURES

# With fewer independent segments two independent signals show a coherence above 0.63 in one bin of
# twenty.
FEWEST_AVERAGES = 4.0


@dataclass(frozen=True)
class Coherence:
    """Of one run."""

    averages: float  # independent segments behind every value
    ranked: tuple[Ranked, ...]  # a force each; none where there is nothing to hold against it
    pairs: tuple[Curves, ...]  # asked for
    strongest: tuple[Curves, ...]  # the first of each ranking, where it is beyond chance
    not_here: tuple[tuple[str, str], ...] = ()  # asked for, but this run lacks one of the two
    holds_more: tuple[str, ...] = ()  # what is in the cross-spectra, though not in the spectra


def of_run(result: RunResult, settings: PartSettings) -> Coherence | Absent:
    """Pairs asked for, and each force's ranking of the taps, or of the other forces."""
    analysis = result.analysis
    averages = analysis.spectra.effective_segments
    if analysis.spectra.packed is None:
        return Absent(NO_MATRIX)
    if averages < FEWEST_AVERAGES:
        return Absent(f"the record is worth {averages:.1f} independent segments alone")
    asked, not_here = _asked(analysis, settings.pairs)
    lines = line_bins(analysis)
    every = () if analysis.run.kind == "wind-off" else _rankings(analysis, lines)
    if not every and not settings.pairs:
        return Absent(_why_nothing(analysis))
    first = [(r.other_indices[0], r.index) for r in every if r.links and r.links[0].beyond_chance]
    return Coherence(
        averages,
        every,
        tuple(curves(analysis, *pair, lines) for pair in asked),
        tuple(curves(analysis, *pair, lines) for pair in first),
        not_here,
        () if analysis.as_read is None else (TUNNEL,),
    )


def _asked(
    analysis: RunAnalysis, pairs: Sequence[tuple[str, str]]
) -> tuple[list[tuple[int, int]], tuple[tuple[str, str], ...]]:
    """Positions of the pairs that the run has, and the pairs that it has not."""
    here, not_here = [], []
    for pair in pairs:
        first, second = (_place(analysis, name) for name in pair)
        if first is None or second is None or not len(common_bins(analysis, first, second)):
            not_here.append(pair)
        else:
            here.append((first, second))
    return here, tuple(not_here)


def _place(analysis: RunAnalysis, name: str) -> int | None:
    """Of the quantity of that name, or else of the first that measures it."""
    named = analysis.signal.index(name)
    return analysis.signal.measured(name) if named is None else named


def _rankings(analysis: RunAnalysis, lines: Mask) -> tuple[Ranked, ...]:
    """Taps against each force; where there is none, each force against those after it."""
    live = [
        i
        for i, dead in enumerate(analysis.dead)
        if not dead and (~lines[common_bins(analysis, i, i)]).any()
    ]
    measures = [quantity.measures for quantity in analysis.signal.quantities]
    taps = [i for i in live if measures[i] in PRESSURES]
    forces = [i for i in live if measures[i] in (*FORCES, *MOMENTS)]
    every = []
    for place, force in enumerate(forces):
        others = taps or forces[place + 1 :]
        quantities = analysis.signal.quantities
        apart = [i for i in others if not share_channels(quantities[i], quantities[force])]
        if apart:
            every.append(ranked(analysis, force, apart, lines, against_taps=bool(taps)))
    return tuple(every)


def _why_nothing(analysis: RunAnalysis) -> str:
    if analysis.run.kind == "wind-off":
        return NO_WIND
    return "there is no force with a tap or another force beside it; ask for a pair of channels"
