"""How much each load disturbs the bridges meant for others, at full-scale loads."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.balance import Balance, TermKind, term_values
from ingest.findings import Finding

# A matrix' own entries, beside the terms' kinds.
LINEAR: TermKind = "F"


@dataclass(frozen=True)
class Influence:
    """One coefficient at full scale, over what the output's main input gives there."""

    output: str
    kind: TermKind
    inputs: tuple[str, ...]
    share: float  # signed
    is_main: bool  # all inputs are the output's main one: gain and its curvature, no interaction

    def __str__(self) -> str:
        return written_term(self.kind, self.inputs)


def written_term(kind: TermKind, inputs: Sequence[str]) -> str:
    """A term as one writes it: "drag × |lift|"."""
    first, second = inputs[0], inputs[-1]
    return {
        "F": first,
        "|F|": f"|{first}|",
        "FG": f"{first} × {second}",
        "|FG|": f"|{first} × {second}|",
        "F|G|": f"{first} × |{second}|",
        "|F|G": f"|{first}| × {second}",
        "F3": f"{first}³",
        "|F3|": f"|{first}³|",
    }[kind]


def influences(balance: Balance) -> tuple[Influence, ...]:
    """Every coefficient but the main ones, largest first; none where the full scale is not known.

    Linear ones are all there, others where they are not nought.

    The iterative form's inputs are the loads at full scale; the direct form's are the bridges at
    their largest reading under a single full-scale load.
    """
    iterative = balance.form == "iterative"
    values = balance.full_scale if iterative else balance.full_reading
    if np.isnan(values).any():
        return ()
    inputs = balance.loads if iterative else balance.bridges
    outputs = balance.bridges if iterative else balance.loads
    linear = balance.matrix * values
    main = np.abs(linear).argmax(axis=1)
    found = []
    for row, output in enumerate(outputs):
        whole = abs(linear[row, main[row]])
        entries: list[tuple[TermKind, tuple[int, ...], float]] = [
            (LINEAR, (i,), linear[row, i]) for i in range(len(inputs)) if i != main[row]
        ]
        if balance.terms:
            of_terms = balance.coefficients[row] * term_values(balance.terms, values[:, None])[:, 0]
            entries += [
                (term.kind, term.inputs, value)
                for term, value in zip(balance.terms, of_terms, strict=True)
                if value != 0.0
            ]
        found += [
            Influence(
                output,
                kind,
                tuple(inputs[i] for i in places),
                float(value / whole),
                set(places) == {int(main[row])},
            )
            for kind, places, value in entries
        ]
    return tuple(sorted(found, key=lambda one: -abs(one.share)))


def interaction_finding(balance: Balance, run: str) -> Iterator[Finding]:
    """A note of the largest interaction."""
    largest = next((one for one in influences(balance) if not one.is_main), None)
    if largest is None or largest.share == 0.0:
        return
    what = "reading" if balance.form == "iterative" else "load"
    yield Finding(
        "note",
        "balance-interactions",
        run,
        None,
        f"the largest interaction of {balance.source} at full scale is {largest} on "
        f"{largest.output}: {100 * abs(largest.share):.2g} % of its {what}",
        "it is taken out; keep loads below the calibrated range, where the balance is known",
    )
