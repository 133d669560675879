"""Balance files to break in one place at a time, and balances written as explicit loops."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import Balance, balance_from_table
from ingest.balance import TERM_KINDS, TermKind, inputs_of

Array = NDArray[np.float64]

SIX_LOADS = ("drag", "side force", "lift", "roll moment", "pitch moment", "yaw moment")
UNITS = {"drag": "N", "side force": "N", "lift": "N"}


def balance_table(**changes: Any) -> dict[str, Any]:
    """Two bridges and two loads, with one term."""
    table: dict[str, Any] = {
        "form": "iterative",
        "bridges": ["b1", "b2"],
        "bridge_unit": "V",
        "loads": ["drag", "lift"],
        "load_units": ["N", "N"],
        "matrix": [[0.011, 0.0005], [-0.0002, 0.004]],
    }
    term = {"output": "b1", "inputs": ["lift", "lift"], "kind": "FG", "coefficient": 1e-7}
    return {
        "format": 1,
        "balance": table | changes,
        "term": [term],
        "envelope": {"drag": ["-200 N", "200 N"], "lift": ["-500 N", "500 N"]},
        "uncertainty": {"drag": "0.2 N", "lift": "0.4 N"},
    }


def balance_of(table: dict[str, Any]) -> Balance:
    """The balance of a table without faults."""
    balance, faults = balance_from_table(table, "balance.toml", "0" * 64)
    assert balance is not None, faults
    return balance


def by_hand(kind: TermKind, f: float, g: float) -> float:
    """One term, written out."""
    if kind == "F":
        return f
    if kind == "|F|":
        return f if f >= 0 else -f
    if kind == "FG":
        return f * g
    if kind == "|FG|":
        return f * g if f * g >= 0 else -f * g
    if kind == "F|G|":
        return f * g if g >= 0 else -f * g
    if kind == "|F|G":
        return f * g if f >= 0 else -f * g
    if kind == "F3":
        return f**3
    assert kind == "|F3|"
    return f**3 if f >= 0 else -(f**3)


def outputs_by_hand(
    matrix: Array,
    terms: Sequence[dict[str, Any]],
    inputs: Array,
    outputs: Sequence[str],
    names: Sequence[str],
) -> Array:
    """The balance's equation, sample by sample and coefficient by coefficient, (n_outputs, n)."""
    result = np.zeros((len(outputs), inputs.shape[1]))
    for sample in range(inputs.shape[1]):
        values = dict(zip(names, inputs[:, sample].tolist(), strict=True))
        for row, output in enumerate(outputs):
            for column, name in enumerate(names):
                result[row, sample] += matrix[row][column] * values[name]
            for term in terms:
                if term["output"] == output:
                    f, g = values[term["inputs"][0]], values[term["inputs"][-1]]
                    result[row, sample] += term["coefficient"] * by_hand(term["kind"], f, g)
    return result


def random_terms(
    rng: np.random.Generator, outputs: Sequence[str], inputs: Sequence[str], size: float, count: int
) -> list[dict[str, Any]]:
    """Terms of all kinds, each at most `size` for inputs up to one."""
    found: dict[Any, dict[str, Any]] = {}
    for _ in range(count):
        kind = TERM_KINDS[rng.integers(len(TERM_KINDS))]
        names = rng.choice(len(inputs), inputs_of(kind)).tolist()
        output = outputs[rng.integers(len(outputs))]
        same = (output, "G" in kind, kind.count("|"), tuple(sorted(names)))
        found[same] = {
            "output": output,
            "inputs": [inputs[i] for i in names],
            "kind": kind,
            "coefficient": float(size * rng.uniform(-1, 1)),
        }
    return list(found.values())
