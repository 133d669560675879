"""Which terms a calibration may hold, and their values at each loading."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ingest import Term, term_values

Array = NDArray[np.float64]

TermSet = Literal["linear", "squares", "products", "absolute", "all"]
# Each holds those before it: of six inputs 6, 12, 27, 84 and 96 terms, the last AIAA R-091's.
TERM_SETS: tuple[TermSet, ...] = get_args(TermSet)
# Loadings that reach less than this share of a term's full-scale value tell nothing of it, however
# little they scatter (engineering judgement).
LEAST_REACH = 0.01


def terms_of(n_inputs: int, terms: TermSet) -> tuple[Term, ...]:
    """All terms of a set, simple ones first; the first `n_inputs` are linear."""
    wanted = TERM_SETS[: TERM_SETS.index(terms) + 1]
    return tuple(term for one in wanted for term in _added(n_inputs, one))


def _added(n: int, terms: TermSet) -> Iterator[Term]:
    """What a set has beyond the one before it."""
    if terms == "linear":
        yield from (Term("F", (i,)) for i in range(n))
    elif terms == "squares":
        yield from (Term("FG", (i, i)) for i in range(n))
    elif terms == "products":
        yield from (Term("FG", pair) for pair in combinations(range(n), 2))
    elif terms == "absolute":
        for i in range(n):
            yield Term("|F|", (i,))
            yield Term("F|G|", (i, i))
        for pair in combinations(range(n), 2):
            yield from (Term("|FG|", pair), Term("F|G|", pair), Term("|F|G", pair))
    else:
        for i in range(n):
            yield from (Term("F3", (i,)), Term("|F3|", (i,)))


def design_of(terms: tuple[Term, ...], inputs: Array) -> Array:
    """Values of terms, ``(n, n_terms)``, of inputs ``(n, n_inputs)``."""
    return term_values(terms, inputs.T).T


def reach_of(terms: tuple[Term, ...], inputs: Array) -> Array:
    """Largest value of each term over that at all inputs' largest values, ``(n_terms,)``."""
    largest = np.abs(design_of(terms, inputs)).max(axis=0)
    whole = design_of(terms, np.abs(inputs).max(axis=0)[None])[0]
    return np.asarray(np.divide(largest, whole, out=np.zeros_like(whole), where=whole > 0.0))
