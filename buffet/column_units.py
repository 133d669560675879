"""Units of the columns of tables, by the endings of their names."""

from __future__ import annotations

from collections.abc import Sequence

# By a name's last words; the longest that fits counts. A column of a table that is written as CSV
# has a row here, in `PURE`, in `BY_ROW` or in `TEXT` (tested).
ENDINGS = {
    "deg": "deg",
    "hz": "Hz",
    "km_h": "km/h",
    "m3": "m³",
    "m_s": "m/s",
    "m_s2": "m/s²",
    "n": "N",
    "n_m": "N m",
    "pa": "Pa",
    "per_m": "1/m",
    "percent": "%",
    # shares, ratios, factors and coefficients
    "factor": "1",
    "ratio": "1",
    "share": "1",
}
# Numbers without a unit: coefficients, probabilities, numbers of things.
PURE = {
    "change_per_doubling",
    "damping",
    "delta_drag",
    "delta_front_lift",
    "delta_rear_lift",
    "equivalence_p_value",
    "felt_p_value",
    "p_likely",
    "p_possible",
    "p_value",
    "reynolds",
    "rms",
    "runs_to_show",
    "strikes",
    "strouhal",
    "whole_rms",
}
# Numbers whose unit stands in the column `unit` of their row, where the table has one.
BY_ROW = {"gain", "limit_likely", "limit_possible", "mean", "metric", "rms"}
TEXT = {  # and true or false
    "blockage_correction",
    "car",
    "channel",
    "component",
    "configuration",
    "counts",
    "criterion",
    "criterion_verdict",
    "kind",
    "measures",
    "output",
    "quantity",
    "road",
    "run",
    "statement",
    "unit",
    "verdict",
    "why",
    "why_no_steering",
    "wind",
}
SEE_UNIT = "see unit"
# What a name may end in beyond its unit.
_LIMITS = ("_low", "_high", "_with_tunnel")


class UnknownColumnError(KeyError):
    """A column that no rule here knows: a slip in the program."""


def column_units(columns: Sequence[str]) -> list[str]:
    """Each column's unit; empty for text, "1" for pure numbers, `SEE_UNIT` where rows differ.

    Raises
    ------
    UnknownColumnError
        A column has no rule.
    """
    return [_unit(name, has_unit="unit" in columns) for name in columns]


def _unit(name: str, *, has_unit: bool) -> str:
    plain = name
    for limit in _LIMITS:
        plain = plain.removesuffix(limit)
    if plain in TEXT:
        return ""
    if plain in BY_ROW and has_unit:
        return SEE_UNIT
    if plain in PURE:
        return "1"
    words = plain.split("_")
    for first in range(len(words)):
        if (ending := "_".join(words[first:])) in ENDINGS:
            return ENDINGS[ending]
    raise UnknownColumnError(name)
