"""A fitted balance as the text of a balance file, in the loading table's units."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.calibrating.loadings import LoadingTable
from ingest import Form, Term

Array = NDArray[np.float64]


def balance_text(
    table: LoadingTable,
    form: Form,
    terms: Sequence[Term],
    coefficients: Array,
    reference_point: Sequence[str],
    uncertainty: Mapping[str, float],
) -> str:
    """A balance file.

    Parameters
    ----------
    terms : the fitted ones; linear ones go to the matrix
    coefficients : ``(n_terms, n_outputs)`` in the table's units
    uncertainty : k = 1, by load in its own unit
    """
    outputs, inputs = table.bridges, table.loads
    if form == "direct":
        outputs, inputs = inputs, outputs
    matrix = np.zeros((len(outputs), len(inputs)))
    for term, row in zip(terms, coefficients, strict=True):
        if term.kind == "F":
            matrix[:, term.inputs[0]] = row
    units = dict(zip(table.loads, table.load_units, strict=True))
    ends = zip(table.load_values.min(axis=0), table.load_values.max(axis=0), strict=True)
    lines = [
        f"# Fitted by buffet calibrate to {len(table.load_values)} loadings of "
        f"{_text(table.path.name)}",
        f"# SHA-256 {table.sha256}",
        "format = 1",
        "",
        "[balance]",
        f"form = {_text(form)}",
        f"bridges = {_list(map(_text, table.bridges))}",
        f"bridge_unit = {_text(table.bridge_unit)}",
        f"loads = {_list(map(_text, table.loads))}",
        f"load_units = {_list(map(_text, table.load_units))}",
        f"reference_point = {_list(map(_text, reference_point))}",
        "matrix = [",
        *(f"    {_list(map(_number, row))}," for row in matrix),
        "]",
        *_term_lines(terms, coefficients, outputs, inputs),
        "",
        "[envelope]",
        *(
            f"{_text(load)} = {_list(_text(_quantity(end, units[load])) for end in pair)}"
            for load, pair in zip(table.loads, ends, strict=True)
        ),
        "",
        "[uncertainty]",
        *(f"{_text(k)} = {_text(_quantity(v, units[k]))}" for k, v in uncertainty.items()),
        "",
    ]
    return "\n".join(lines)


def _term_lines(
    terms: Sequence[Term], coefficients: Array, outputs: Sequence[str], inputs: Sequence[str]
) -> list[str]:
    lines = []
    for column, output in enumerate(outputs):
        for term, row in zip(terms, coefficients, strict=True):
            if term.kind != "F":
                lines += [
                    "",
                    "[[term]]",
                    f"output = {_text(output)}",
                    f"inputs = {_list(_text(inputs[i]) for i in term.inputs)}",
                    f"kind = {_text(term.kind)}",
                    f"coefficient = {_number(row[column])}",
                ]
    return lines


def _text(text: str) -> str:
    """As a TOML string, which JSON's are but for the one control character they may hold."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _number(value: float) -> str:
    """All digits, so that reading gives the same number."""
    return repr(float(value))


def _quantity(value: float, unit: str) -> str:
    return f"{_number(value)} {unit}"


def _list(items: Iterable[str]) -> str:
    return f"[{', '.join(items)}]"
