"""What remains doubtful of a recommendation, and what would settle it, a run in most cases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buffet.pairs import Pair
from buffet.phrases import by_reason, listed
from buffet.rating.car_spread import CAR
from buffet.rating.ranking import Ranking
from buffet.rating.rate import ConfigurationRating
from buffet.rating.verdict import CriterionRating
from buffet.rating.wording import REMEDIES, largest_source

# A probability below this leaves no doubt that would matter (engineering judgement).
NO_DOUBT = 0.02


@dataclass(frozen=True)
class Doubt:
    """One thing that is not sure, and what would settle it."""

    text: str
    settled_by: str


def doubts_about(
    best: ConfigurationRating,
    ties: Sequence[Pair],
    word: str,
    equal_within: float,
    ranking: Ranking,
) -> tuple[Doubt, ...]:
    """Of a configuration that is recommended, the gravest first.

    Parameters
    ----------
    ties : it against each that cannot be told from it
    word : component whose RMS would tell them apart
    equal_within : relative difference of RMS that passes for none
    """
    return (
        *(not_told_apart(pair, word, equal_within) for pair in ties),
        *_of_verdict(best),
        *_undetermined(best),
        *(
            Doubt(f"{name} is not ranked ({why})", f"{name} so that this is covered")
            for name, why in ranking.unranked.items()
        ),
    )


def not_told_apart(pair: Pair, word: str, equal_within: float) -> Doubt:
    """A difference that what was measured leaves open."""
    text = f"{pair.other} cannot be told from {pair.name} by what was measured"
    both = f"{pair.name} and {pair.other}"
    logs, drag = pair.log_ratio(word), pair.difference("drag")
    if drag is None:
        return Doubt(text, f"{both} again with drag measured in every run")
    if logs is None:
        return Doubt(text, f"{both} again, with {word} measured above the noise")
    if not logs.repeats.freedom:
        return Doubt(
            text,
            f"{both} again at the same operating points, so that it is known how far repeats "
            "scatter",
        )
    change = float(np.log1p(equal_within))
    if logs.detectable() <= change:
        # The component is told well enough: what is felt, or drag, is what lies too close.
        return Doubt(text, f"{both} with longer records and more repeats, if a choice is needed")
    runs = pair.runs_to_show(logs, change)
    if runs is None:
        return Doubt(
            text,
            f"{both} with longer records: repeats alone would not show {equal_within:.0%} of "
            f"{word} RMS",
        )
    return Doubt(
        text,
        f"{both}, {runs} runs of each at every operating point, which would show "
        f"{equal_within:.0%} of {word} RMS",
    )


def _of_verdict(best: ConfigurationRating) -> Iterator[Doubt]:
    """Where the probabilities leave a worse verdict."""
    row = best.decisive
    if row is None or best.verdict not in ("unlikely", "possible"):
        return
    limit, value, chance = (
        ("possible", row.criterion.possible, row.p_possible)
        if best.verdict == "unlikely"
        else ("likely", row.criterion.likely, row.p_likely)
    )
    if chance is None or chance < NO_DOUBT:
        return
    unit = "" if row.criterion.unit == "1" else f" {row.criterion.unit}"
    yield Doubt(
        f"{best.name} exceeds the limit from which {row.criterion.id} is {limit} "
        f"({value:g}{unit}) with a probability of {chance:.0%}",
        _narrower(best.name, row),
    )


def _narrower(name: str, row: CriterionRating) -> str:
    """What would narrow its interval most."""
    source = largest_source(row)
    return REMEDIES[source] if source == CAR else f"{name} with {REMEDIES[source]}"


def _undetermined(best: ConfigurationRating) -> Iterator[Doubt]:
    rows = [row for row in best.criteria if row.verdict == "undetermined"]
    for why, names in _by_reason(rows).items():
        yield Doubt(
            f"{listed(names)} of {best.name} is undetermined: {why}",
            f"{best.name} so that the band of {listed(names)} is covered by enough record",
        )


def _by_reason(rows: Sequence[CriterionRating]) -> dict[str, list[str]]:
    return by_reason((row.why or "not measured", row.criterion.id) for row in rows)
