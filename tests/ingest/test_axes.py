"""Channels become coefficients in the vehicle's axes; what follows from them is derived."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from ingest import Channel, FlowState, Model, Quantity, run_quantities
from ingest.channel import Measures

MODEL = Model(0.30, 0.2, 0.775, 0.435)
FLOW = FlowState(40.0, 1000.0, 1.25, 1.8e-5, None)

LIFT: tuple[Measures, ...] = ("lift", "pitch moment", "front lift", "rear lift")
SIDE: tuple[Measures, ...] = ("side force", "yaw moment", "front side force", "rear side force")
UNITS = {"pitch moment": "N m", "yaw moment": "N m", "roll moment": "N m"}


def channels(*measures: Measures, unit: str | None = None) -> tuple[Channel, ...]:
    """Channels in SI that are named by what they measure."""
    return tuple(Channel(m, m, m, unit or UNITS.get(m, "N"), 1.0) for m in measures)


def values(found: tuple[Quantity, ...], samples: dict[str, float]) -> dict[str, float]:
    """What the quantities say of one sample a channel."""
    column = np.array(list(samples.values()))
    return {quantity.name: float(quantity.row @ column) for quantity in found}


def test_coefficients_by_hand() -> None:
    """Force over q·A, moment over q·A·wheelbase, pressure over q."""
    sheet = (*channels("drag", "roll moment"), *channels("pressure", "cabin pressure", unit="Pa"))
    samples = {"drag": 60.0, "roll moment": 15.5, "pressure": -300.0, "cabin pressure": 50.0}

    found = run_quantities(sheet, MODEL, FLOW)

    assert values(found, samples) == pytest.approx(
        {"drag": 0.30, "roll moment": 0.10, "pressure": -0.3, "cabin pressure": 0.05}
    )
    assert {quantity.unit for quantity in found} == {"1"}


@pytest.mark.parametrize("group", [LIFT, SIDE])
@pytest.mark.parametrize("pair", list(itertools.combinations(range(4), 2)))
def test_any_two_components_give_the_other_two(
    group: tuple[Measures, ...], pair: tuple[int, int]
) -> None:
    """A car with 180 N on the front axle and −60 N on the rear, seen through any two channels."""
    front_n, rear_n = 180.0, -60.0
    # Statics about mid-wheelbase: the front axle's force lifts the nose, the rear one's lowers it.
    truth: dict[str, float] = {
        group[0]: front_n + rear_n,
        group[1]: (front_n - rear_n) * 0.775 / 2.0,
        group[2]: front_n,
        group[3]: rear_n,
    }
    scale = {str(name): 200.0 * (0.775 if "moment" in name else 1.0) for name in group}
    measured = {str(group[i]): truth[group[i]] for i in pair}
    sheet = channels(*(group[i] for i in pair))

    coefficients = values(run_quantities(sheet, MODEL, FLOW), measured)
    in_si = values(run_quantities(sheet, MODEL, None), measured)

    assert coefficients == pytest.approx({n: truth[n] / scale[n] for n in coefficients})
    assert in_si == pytest.approx({name: truth[name] for name in in_si})
    assert set(coefficients) == set(group) == set(in_si)


def test_derived_units_in_si() -> None:
    """A derived moment is in N m, a derived force in N."""
    found = run_quantities(channels("front lift", "rear lift"), MODEL, None)

    assert {q.measures: q.unit for q in found} == {
        "front lift": "N",
        "rear lift": "N",
        "lift": "N",
        "pitch moment": "N m",
    }


def test_without_a_wheelbase_only_the_sum_follows() -> None:
    """Front and rear lift add to lift; the moment's arm is unknown."""
    found = run_quantities(channels("front lift", "rear lift"), None, None)

    assert [quantity.name for quantity in found] == ["front lift", "rear lift", "lift"]
    assert run_quantities(channels("lift", "pitch moment"), None, None)[2:] == ()


def test_one_component_gives_no_other() -> None:
    """Lift alone says nothing of its distribution."""
    assert len(run_quantities(channels("lift"), MODEL, FLOW)) == 1
    assert len(run_quantities(channels("lift", "drag", "side force"), MODEL, FLOW)) == 3


def test_over_determined_components_are_averaged() -> None:
    """Two balances that disagree by 2 N on the lift give the middle to what is derived."""
    sheet = (
        *channels("lift", "pitch moment"),
        Channel("second lift", "l2", "lift", "N", 1.0),
    )
    samples = {"lift": 101.0, "pitch moment": 0.0, "second lift": 99.0}

    found = values(run_quantities(sheet, MODEL, None), samples)

    assert found["front lift"] == pytest.approx(50.0)
    assert found["rear lift"] == pytest.approx(50.0)


def test_front_and_rear_and_back_is_the_identity() -> None:
    """Rows derived twice return the rows one started from."""
    first = run_quantities(channels("lift", "pitch moment"), MODEL, FLOW)
    axles = {q.measures: q.row for q in first if q.measures in ("front lift", "rear lift")}
    again = run_quantities(channels("front lift", "rear lift", unit="1"), MODEL, FLOW)
    back = {q.measures: q.row @ np.array(list(axles.values())) for q in again}

    for quantity in first:
        np.testing.assert_allclose(back[quantity.measures], quantity.row, atol=1e-15)


@pytest.mark.parametrize(
    ("model", "flow", "force", "moment", "pressure"),
    [
        (dataclasses.replace(MODEL, frontal_area_m2=0.4), FLOW, 0.5, 0.5, 1.0),
        (dataclasses.replace(MODEL, wheelbase_m=1.55), FLOW, 1.0, 0.5, 1.0),
        (MODEL, dataclasses.replace(FLOW, dynamic_pressure_pa=2000.0), 0.5, 0.5, 0.5),
    ],
    ids=["area", "wheelbase", "dynamic pressure"],
)
def test_coefficients_scale_as_their_dimensions_say(
    model: Model, flow: FlowState, force: float, moment: float, pressure: float
) -> None:
    """Twice the area halves forces and moments, twice the wheelbase moments only, and so on."""
    sheet = (*channels("drag", "yaw moment"), *channels("pressure", unit="Pa"))

    before = [q.row.max() for q in run_quantities(sheet, MODEL, FLOW)]
    after = [q.row.max() for q in run_quantities(sheet, model, flow)]

    assert np.divide(after, before) == pytest.approx([force, moment, pressure])


def test_coefficients_pass_through_and_pressures_need_flow_only() -> None:
    """A channel in unit 1 stays; without a model forces stay in newtons."""
    sheet = (
        *channels("lift", unit="1"),
        *channels("drag"),
        *channels("pressure", unit="Pa"),
        *channels("acceleration", unit="m/s^2"),
    )

    found = run_quantities(sheet, None, FLOW)

    assert [(q.unit, q.row.max()) for q in found] == [
        ("1", 1.0),
        ("N", 1.0),
        ("1", 0.001),
        ("m/s^2", 1.0),
    ]


def test_flow_conditions_are_no_quantities() -> None:
    """Speed, dynamic pressure, temperature and static pressure describe the run itself."""
    sheet = channels("air speed", "dynamic pressure", "temperature", "static pressure", "drag")

    (drag,) = run_quantities(sheet, MODEL, FLOW)

    assert drag.name == "drag"
    assert list(drag.row) == [0, 0, 0, 0, 1 / 200.0]
    assert not drag.row.flags.writeable


def test_mixed_coefficients_and_newtons_are_not_added() -> None:
    """Lift in newtons and pitch moment as a coefficient derive nothing without a flow."""
    sheet = (*channels("lift"), *channels("pitch moment", unit="1"))

    assert len(run_quantities(sheet, MODEL, None)) == 2


def test_a_channels_name_is_not_taken_twice() -> None:
    """A derived component steps aside where a channel has its name."""
    sheet = (Channel("rear lift", "a", "lift", "N", 1.0), *channels("pitch moment"))

    names = [quantity.name for quantity in run_quantities(sheet, MODEL, FLOW)]

    assert names == ["rear lift", "pitch moment", "front lift", "rear lift (derived)"]


def test_a_run_of_flow_conditions_alone_is_about_them() -> None:
    """A temperature is a condition beside a force, and what is looked at where it is alone."""
    alone = channels("temperature", unit="K")
    assert [q.name for q in run_quantities(alone, None, None)] == ["temperature"]
    beside = (*channels("drag"), *alone)
    assert [q.name for q in run_quantities(beside, None, None)] == ["drag"]
