"""What runs lost whose lines were taken out, for results that rest on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buffet.run_analysis import RunAnalysis
from ingest import FORCES, MOMENTS


@dataclass(frozen=True)
class LineShare:
    """The largest share of one force's or moment's variance that lines held, and in which run."""

    quantity: str
    share: float  # wind-off noise taken out
    run: str


def lines_are_out(runs: Sequence[RunAnalysis]) -> bool:
    """Whether any run is without lines that it had."""
    return any(run.with_lines is not None for run in runs)


def line_shares(runs: Sequence[RunAnalysis]) -> tuple[LineShare, ...]:
    """Of every force and moment of runs without their lines, the largest first."""
    most: dict[str, LineShare] = {}
    for run in runs:
        if run.with_lines is None:
            continue
        with_lines, without = run.with_lines.total_samples[0], run.total_samples[0]
        for i, quantity in enumerate(run.signal.quantities):
            if quantity.measures not in (*FORCES, *MOMENTS) or not with_lines[i] > 0:
                continue
            share = max(1 - float(without[i] / with_lines[i]), 0.0)
            if quantity.name not in most or share > most[quantity.name].share:
                most[quantity.name] = LineShare(quantity.name, share, run.run.number)
    return tuple(sorted(most.values(), key=lambda one: -one.share))


def lines_out_text(runs: Sequence[RunAnalysis]) -> str:
    """One sentence; empty where no lines were taken out."""
    if not lines_are_out(runs):
        return ""
    shares = line_shares(runs)
    if not shares:
        return "Lines are taken out."
    one = shares[0]
    return (
        f"Lines are taken out; of the forces' variances they held at most {one.share:.2g} of "
        f"{one.quantity}'s (run {one.run})."
    )
