"""One wrong entry each of a balance file: what, where, what is written there, what is said."""
# ruff: noqa: E501  # one case a line reads as the table it is

from __future__ import annotations

from typing import Any

from tests.ingest.balances import balance_table

THREE = ["b1", "b2", "b3"]
TERM = {"output": "b1", "inputs": ["lift"], "kind": "F3", "coefficient": 1e-9}

BALANCE_FAULTS: list[tuple[str, tuple[str | int, ...], Any, str]] = [
    ("unknown key", ("balance", "matrx"), [], "balance.matrx: unknown key; did you mean 'matrix'?"),
    ("form", ("balance", "form"), "inverse", "balance.form: got 'inverse'; wanted one of 'iterative' or 'direct'"),
    ("no bridges", ("balance", "bridges"), [], "balance.bridges: got []; wanted at least one entry"),
    ("same bridge", ("balance", "bridges"), ["b1", "b1"], "balance.bridges: 'b1' stands there 2 times; wanted once"),
    ("same load", ("balance", "loads"), ["lift", "lift"], "balance.loads: 'lift' stands there 2 times; wanted once"),
    ("not square", ("balance", "bridges"), THREE, "balance.bridges: the iterative form needs as many bridges as loads, got 3 bridges and 2 loads"),
    ("bridge unit", ("balance", "bridge_unit"), "lots", "balance.bridge_unit: got 'lots'; wanted a unit of a bridge's reading such as 'mV/V'"),
    ("no load", ("balance", "loads", 1), "lfit", "balance.loads[1]: got 'lfit', which is no load; did you mean 'lift'?"),
    ("pressure", ("balance", "loads", 1), "pressure", "balance.loads[1]: got 'pressure', which is no load; known are drag, side force"),
    ("units", ("balance", "load_units"), ["N"], "balance.load_units: wanted 2 units, one a load, got 1"),
    ("unit of a load", ("balance", "load_units", 1), "N m", "balance.load_units[1]: got 'N m'; wanted a unit of lift such as N"),
    ("unit of nothing", ("balance", "load_units", 0), "newt", "balance.load_units[0]: got 'newt'; wanted a unit of drag such as N"),
    ("rows", ("balance", "matrix"), [[1.0, 0.0]], "balance.matrix: wanted 2 rows, one a bridge in the iterative form, got 1"),
    ("columns", ("balance", "matrix", 1), [1.0], "balance.matrix[1]: wanted 2 numbers, one a load, got 1"),
    ("text", ("balance", "matrix", 1, 0), "1", "balance.matrix[1][0]: got '1'; wanted a plain finite number"),
    ("infinite", ("balance", "matrix", 0, 0), float("inf"), "balance.matrix[0][0]: got inf; wanted a plain finite number"),
    ("singular", ("balance", "matrix"), [[1.0, 2.0], [0.5, 1.0]], "balance.matrix: is singular: its condition number is "),
    ("nearly", ("balance", "matrix"), [[1.0, 2.0], [0.5, 1.0000001]], "balance.matrix: is singular: its condition number is 4e+07"),
    ("empty column", ("balance", "matrix"), [[1.0, 0.0], [0.5, 0.0]], "balance.matrix: is singular: its condition number is inf"),
    ("empty row", ("balance", "matrix"), [[0.0, 0.0], [0.5, 1.0]], "balance.matrix: the row of b1 holds zeros alone"),
    ("residual", ("balance", "residual"), 0, "balance.residual: got 0; wanted a number such as 1e-8"),
    ("kind", ("term", 0, "kind"), "F2", "term[0].kind: got 'F2'; wanted one of 'F', '|F|', 'FG', '|FG|', 'F|G|', '|F|G', 'F3' or '|F3|'"),
    ("inputs", ("term", 0, "inputs"), ["lift"], "term[0].inputs: kind 'FG' has two inputs, got 1"),
    ("too many", ("term",), [TERM | {"inputs": ["lift", "drag"]}], "term[0].inputs: kind 'F3' has one input, got 2"),
    ("input", ("term", 0, "inputs", 1), "lit", "term[0].inputs[1]: 'lit' is no input of the iterative form; did you mean 'lift'?"),
    ("output", ("term", 0, "output"), "lift", "term[0].output: 'lift' is no output of the iterative form; known are b1, b2"),
    ("twice", ("term",), [TERM, TERM], "term[1]: is the same term as term[0]; wanted each once"),
    ("coefficient", ("term", 0, "coefficient"), float("nan"), "term[0].coefficient: got nan; wanted a plain finite number"),
    ("envelope", ("envelope", "lift"), ["500 N", "-500 N"], "envelope.lift: must go from low to high, got '500 N' to '-500 N'"),
    ("one end", ("envelope", "lift"), ["500 N"], "envelope.lift: got ['500 N']; wanted 2 entries"),
    ("envelope's unit", ("envelope", "lift", 1), "500 V", "envelope.lift: got '500 V'; wanted a force such as '250 N'"),
    ("envelope of nothing", ("envelope", "lif"), [-1, 1], "envelope.lif: is no load of this balance; did you mean 'lift'?"),
    ("uncertainty", ("uncertainty", "drag"), "0 N", "uncertainty.drag: must be above zero, got '0 N'"),
    ("uncertainty's unit", ("uncertainty", "drag"), "1 N m", "uncertainty.drag: got '1 N m'; wanted a force such as '250 N'"),
    ("uncertainty of nothing", ("uncertainty", "side"), 1, "uncertainty.side: is no load of this balance; known are drag, lift"),
    ("resonance", ("resonance",), {"lift": {"natural_frequency": "38 N"}}, "resonance.lift.natural_frequency: got '38 N'; wanted a frequency"),
    ("resonance of nothing", ("resonance",), {"roll": {"natural_frequency": 38}}, "resonance.roll: is no load of this balance; known are drag, lift"),
    ("reference", ("balance",), balance_table(loads=["lift", "pitch moment"], load_units=["N", "N m"], reference_point=[0, 0, 0.2])["balance"], "balance.reference_point: pitch moment cannot be carried from there to the vehicle's origin: it needs drag, which the balance does not give"),
    ("axles", ("balance",), balance_table(loads=["front lift", "rear lift"], reference_point=[0.1, 0, 0])["balance"], "balance.reference_point: front lift cannot be carried from there to the vehicle's origin: an axle load has no reference point"),
]  # fmt: skip
