"""Loads from bridges: planted balances, written out by explicit loops, are undone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest import Term, term_values
from ingest.balance import TERM_KINDS, NotSettledError
from ingest.balance_influence import influences
from tests.ingest.balances import (
    SIX_LOADS,
    UNITS,
    balance_of,
    balance_table,
    by_hand,
    outputs_by_hand,
    random_terms,
)

Array = NDArray[np.float64]


def planted(seed: int, n_loads: int, form: str, residual: float, n_terms: int) -> dict[str, Any]:
    """A well-conditioned balance of loads up to one, with interactions of some per cent."""
    rng = np.random.default_rng(seed)
    loads = list(SIX_LOADS[:n_loads])
    bridges = [f"b{i}" for i in range(n_loads)]
    matrix = np.diag(rng.uniform(0.5, 2.0, n_loads)) + rng.uniform(-0.05, 0.05, (n_loads,) * 2)
    outputs, inputs = (bridges, loads) if form == "iterative" else (loads, bridges)
    return {
        "format": 1,
        "balance": {
            "form": form,
            "bridges": bridges,
            "bridge_unit": "V",
            "loads": loads,
            "load_units": [UNITS.get(load, "N m") for load in loads],
            "matrix": matrix.tolist(),
            "residual": residual,
        },
        "term": random_terms(rng, outputs, inputs, 0.02, n_terms),
        "envelope": {load: [-1.0, 1.0] for load in loads},
    }


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 6),
    st.sampled_from([1e-4, 1e-8, 1e-11]),
    st.integers(0, 12),
)
def test_planted_loads_are_found_to_the_stated_residual(
    seed: int, n_loads: int, residual: float, n_terms: int
) -> None:
    """Loads distorted term by term come back; what is left is below the last step's change."""
    table = planted(seed, n_loads, "iterative", residual, n_terms)
    loads = np.random.default_rng(seed + 1).uniform(-1, 1, (n_loads, 25))
    own = table["balance"]
    readings = outputs_by_hand(own["matrix"], table["term"], loads, own["bridges"], own["loads"])

    found, iterations = balance_of(table).solve(readings)

    # Each step takes away more than half: at most 12 terms of 0.02 with slopes up to 3, over a
    # gain of at least 0.45 (random signs and places leave far less).
    assert np.abs(found - loads).max() <= max(2.0 * residual, 1e-13)
    assert iterations <= 60


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(0, 12))
def test_the_direct_form_is_its_equation(seed: int, n_loads: int, n_terms: int) -> None:
    """F = C r + D h(r), term by term."""
    table = planted(seed, n_loads, "direct", 1e-8, n_terms)
    readings = np.random.default_rng(seed + 1).uniform(-1, 1, (n_loads, 25))
    own = table["balance"]

    found, iterations = balance_of(table).solve(readings)

    expected = outputs_by_hand(own["matrix"], table["term"], readings, own["loads"], own["bridges"])
    np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-14)
    assert iterations == 0


@pytest.mark.parametrize("kind", TERM_KINDS)
@pytest.mark.parametrize(("f", "g"), [(2.0, 3.0), (-2.0, 3.0), (2.0, -3.0), (-2.0, -3.0)])
def test_each_kind_of_term(kind: Any, f: float, g: float) -> None:
    """All signs of both inputs, against the term written out."""
    inputs = (0, 1) if "G" in kind else (0,)

    (value,) = term_values([Term(kind, inputs)], np.array([[f], [g]]))

    assert value.tolist() == [by_hand(kind, f, g)]


def test_units_are_taken_into_si() -> None:
    """mV/V by kN and N m by N cm: a square term carries the load's unit twice, a cube thrice."""
    table = balance_table(
        bridge_unit="mV/V", loads=["lift", "pitch moment"], load_units=["kN", "N cm"],
        matrix=[[0.5, 0.0], [0.0, 0.002]],
    )  # fmt: skip
    table["term"] = [
        {"output": "b1", "inputs": ["lift", "lift"], "kind": "FG", "coefficient": 0.1},
        {"output": "b2", "inputs": ["lift"], "kind": "F3", "coefficient": 0.3},
    ]
    table["envelope"] = {"lift": ["-1 kN", "1 kN"]}
    table["uncertainty"] = {"pitch moment": "20 N cm"}
    balance = balance_of(table)

    # 0.4 kN and 100 N cm: 0.5 · 0.4 + 0.1 · 0.16 = 0.216, 0.002 · 100 + 0.3 · 0.064 = 0.2192 mV/V
    found, _ = balance.solve(np.array([[0.216e-3], [0.2192e-3]]))

    np.testing.assert_allclose(found, [[400.0], [1.0]], rtol=1e-7)
    assert balance.full_scale[0] == pytest.approx(1000.0)
    assert balance.standard_uncertainty == (None, pytest.approx(0.2))


def test_what_never_settles_is_named() -> None:
    """b = F - F² / 4 reaches no more than 1: of three samples the second asks for 2."""
    table = balance_table(loads=["drag"], load_units=["N"], bridges=["b1"], matrix=[[1.0]])
    term = {"output": "b1", "inputs": ["drag", "drag"], "kind": "FG", "coefficient": -0.25}
    balance = balance_of(table | {"term": [term], "envelope": {}, "uncertainty": {}})

    with pytest.raises(NotSettledError) as caught:
        balance.solve(np.array([[0.5, 2.0, 0.1]]))

    assert caught.value.sample == 1
    found, _ = balance.solve(np.array([[0.75]]))  # F = 1 by hand
    assert found[0, 0] == pytest.approx(1.0, abs=1e-7)


def test_readings_of_nothing_are_no_load() -> None:
    """All zeros settle at once, whether the full scale is stated or not."""
    for envelope in ({}, {"drag": [-1.0, 1.0]}):
        balance = balance_of(balance_table() | {"envelope": envelope})

        found, iterations = balance.solve(np.zeros((2, 3)))

        assert not found.any()
        assert iterations == 1


def test_moments_about_the_origin() -> None:
    """Forces at a point, by cross product; SAE J1594's senses turn roll and yaw about."""
    point = np.array([0.1, -0.2, 0.3])
    loads = list(SIX_LOADS)
    table = balance_table(
        form="direct", loads=loads, bridges=loads,
        load_units=[UNITS.get(load, "N m") for load in loads], matrix=np.eye(6).tolist(),
        reference_point=point.tolist(),
    )  # fmt: skip
    uncertainty = {"lift": 3.0, "drag": 4.0, "pitch moment": 1.2}
    table |= {"term": [], "envelope": {}, "uncertainty": uncertainty}
    balance = balance_of(table)
    force, moment = np.array([5.0, 7.0, 11.0]), np.array([13.0, 17.0, 19.0])
    turned = np.array([-1.0, 1.0, -1.0])  # right-handed about x, y, z to roll, pitch, yaw

    moved = balance.transfer @ np.concatenate([force, turned * moment])

    np.testing.assert_allclose(moved[:3], force)
    np.testing.assert_allclose(moved[3:], turned * (moment + np.cross(point, force)))
    # pitch: 1.2 N m, 0.3 m · 4 N and 0.1 m · 3 N in quadrature; roll lacks the side force's
    assert balance.standard_uncertainty[4] == pytest.approx(np.sqrt(1.44 + 1.44 + 0.09))
    assert balance.standard_uncertainty[3] is None


def test_lift_behind_the_origin_pitches_the_nose_down() -> None:
    """10 N of lift 0.5 m behind the origin: front lift falls, pitch is -5 N m."""
    table = balance_table(
        loads=["lift", "pitch moment"], load_units=["N", "N m"], reference_point=["0.5 m", 0, 0]
    ) | {"term": [], "envelope": {}, "uncertainty": {}}
    assert (balance_of(table).transfer @ [10.0, 0.0]).tolist() == [10.0, -5.0]


def test_interactions_at_full_scale() -> None:
    """By hand: 500 N of lift read 0.25 V beside 200 N of drag's 2.2 V; lift² 0.025 V."""
    rows = [(i.output, str(i), i.share, i.is_main) for i in influences(balance_of(balance_table()))]

    assert rows == [
        ("b1", "lift", pytest.approx(0.25 / 2.2), False),
        ("b2", "drag", pytest.approx(-0.04 / 2.0), False),
        ("b1", "lift × lift", pytest.approx(0.025 / 2.2), False),
    ]
    assert influences(balance_of(balance_table() | {"envelope": {}})) == ()


def test_a_load_needs_the_bridges_that_carry_it() -> None:
    """Two bridges, of which drag hardly needs the second: 0.2 % of its full scale."""
    table = balance_table(matrix=[[0.011, 0.00001], [-0.0004, 0.004]])
    balance = balance_of(table)

    # Full scale: b1 reads 2.2 V, b2 2 V. drag = 90.9 b1 - 0.23 b2: 0.45 N of 200 N are 0.2 %;
    # lift = 250 b2 + 9.1 b1: 20 N of 500 N are 4 %.
    assert balance.needed_bridges(0) == ("b1",)
    assert balance.needed_bridges(1) == ("b1", "b2")
    assert balance_of(table | {"envelope": {}}).needed_bridges(0) == ("b1", "b2")


def test_every_load_needs_a_bridge() -> None:
    """Two loads of one bridge: the one that hardly moves it needs it as well."""
    table = balance_table(form="direct", bridges=["b1"], matrix=[[100.0], [0.01]])
    balance = balance_of(table | {"term": []})

    assert [balance.needed_bridges(i) for i in range(2)] == [("b1",)] * 2
