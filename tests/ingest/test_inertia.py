"""The inertial part of a balance's reading, on bodies of point masses moved by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import (
    Channel,
    Finding,
    FlowState,
    Model,
    Run,
    inertia_findings,
    open_campaign,
    run_quantities,
)
from ingest.channel import MOMENTS, Direction, Measures
from ingest.inertia import with_inertia
from ingest.recording import ClockOptions
from tests.ingest.campaigns import CAMPAIGN, run_sheet, write_campaign

Array = NDArray[np.float64]
CENTRE = (0.02, 0.0, 0.15)
# Six point masses on the axes through the centre: 60 kg; I = Σ m r² by hand: 2 · 10 · (0.2² + 0.1²)
# = 1.0 in roll, 2 · 10 · (0.4² + 0.1²) = 3.4 in pitch, 2 · 10 · (0.4² + 0.2²) = 4.0 in yaw.
POINTS = np.array(CENTRE) + np.array(
    [[0.4, 0, 0], [-0.4, 0, 0], [0, 0.2, 0], [0, -0.2, 0], [0, 0, 0.1], [0, 0, -0.1]]
)
MODEL = Model(
    0.30,
    0.2,
    0.775,
    0.435,
    mass_kg=60.0,
    centre_of_gravity_m=CENTRE,
    inertia_kg_m2=(1.0, 3.4, 4.0),
)
COMPONENTS: tuple[Measures, ...] = (
    "drag",
    "side force",
    "lift",
    "roll moment",
    "pitch moment",
    "yaw moment",
    "front lift",
    "rear lift",
    "front side force",
    "rear side force",
)
EVERYWHERE: tuple[tuple[Direction, tuple[float, float, float]], ...] = (
    ("x", (0.1, 0.0, 0.15)),
    ("x", (0.1, 0.2, 0.15)),
    ("y", (0.3, 0.0, 0.2)),
    ("z", (0.35, 0.1, 0.3)),
    ("z", (-0.35, 0.1, 0.3)),
    ("z", (0.0, -0.2, 0.1)),
    ("y", (-0.3, 0.0, 0.2)),
    ("z", (0.3, -0.2, 0.1)),
)


def component(name: Measures, unit: str | None = None) -> Channel:
    """In SI, named by what it measures."""
    return Channel(name, name, name, unit or ("N m" if name in MOMENTS else "N"), 1.0)


def accelerometer(
    number: int, direction: Direction | None, at: tuple[float, float, float] | None
) -> Channel:
    """On the model where it has a direction."""
    name = f"a{number}"
    return Channel(name, name, "acceleration", "m/s^2", 1.0, at_m=at, direction=direction)


def placed(*where: tuple[Direction, tuple[float, float, float]]) -> tuple[Channel, ...]:
    """Accelerometers by direction and place."""
    return tuple(accelerometer(i, *one) for i, one in enumerate(where))


def added(channels: tuple[Channel, ...], name: str, readings: Array) -> float:
    """What the accelerometers' readings add to a component."""
    names = [channel.name for channel in channels if channel.measures == "acceleration"]
    terms = dict(next(channel.inertial for channel in channels if channel.name == name))
    return float(sum(terms.get(n, 0.0) * r for n, r in zip(names, readings, strict=True)))


def loads_by_points(linear: Array, angular: Array) -> dict[str, float]:
    """Inertial loads of the six points, about the origin, with SAE J1594's senses."""
    at_points = linear + np.cross(angular, POINTS - np.array(CENTRE))
    force = (10.0 * at_points).sum(axis=0)
    moment = np.cross(POINTS, 10.0 * at_points).sum(axis=0)
    roll, pitch, yaw = -moment[0], moment[1], -moment[2]  # right side down, nose up, nose right
    return {
        "drag": force[0],
        "side force": force[1],
        "lift": force[2],
        "roll moment": roll,
        "pitch moment": pitch,
        "yaw moment": yaw,
        "front lift": force[2] / 2 + pitch / 0.775,
        "rear lift": force[2] / 2 - pitch / 0.775,
        "front side force": force[1] / 2 + yaw / 0.775,
        "rear side force": force[1] / 2 - yaw / 0.775,
    }


def readings_of(channels: tuple[Channel, ...], linear: Array, angular: Array) -> Array:
    """Each accelerometer's reading of a + α × r along its direction."""
    found = []
    for channel in channels:
        if channel.measures == "acceleration":
            at = linear + np.cross(angular, np.array(channel.at_m) - np.array(CENTRE))
            found.append(at["xyz".index(channel.direction or "")])
    return np.array(found)


@pytest.mark.parametrize("name", COMPONENTS)
@pytest.mark.parametrize("n", [6, 7, 8])
def test_six_motions_give_every_component(name: Measures, n: int) -> None:
    """Random motion of a body of points: m a and the moment of all points, from 6 readings up."""
    rng = np.random.default_rng(n)
    linear, angular = rng.standard_normal(3), 3 * rng.standard_normal(3)
    channels = with_inertia((*placed(*EVERYWHERE[:n]), component(name)), MODEL)

    found = added(channels, name, readings_of(channels, linear, angular))

    assert found == pytest.approx(loads_by_points(linear, angular)[name], rel=1e-9)


def test_one_accelerometer_at_the_centre_gives_heave_alone() -> None:
    """Lift takes 60 kg times its reading; drag and pitch stay as they are."""
    sheet = (*placed(("z", CENTRE)), *map(component, COMPONENTS))
    terms = {c.name: c.inertial for c in with_inertia(sheet, MODEL) if c.inertial}

    assert terms == {"lift": (("a0", pytest.approx(60.0)),)}


def test_an_accelerometer_away_from_the_centre_is_not_taken_for_heave() -> None:
    """0.1 m ahead, a quarter of half the wheelbase, pitch would pass for heave."""
    away = with_inertia((*placed(("z", (-0.08, 0.0, 0.15))), component("lift")), MODEL)
    near = with_inertia((*placed(("z", (-0.01, 0.0, 0.15))), component("lift")), MODEL)

    assert away[-1].inertial == ()
    assert dict(near[-1].inertial) == {"a0": pytest.approx(60.0)}


def test_two_accelerometers_apart_give_heave_at_the_centre() -> None:
    """0.3 m ahead and 0.2 m behind the centre: 2/5 and 3/5 of 60 kg, and front lift needs x too."""
    two = placed(("z", (-0.28, 0.0, 0.1)), ("z", (0.22, 0.0, 0.1)))
    sheet = with_inertia((*two, component("lift"), component("front lift")), MODEL)

    assert dict(sheet[2].inertial) == {"a0": pytest.approx(24.0), "a1": pytest.approx(36.0)}
    assert sheet[3].inertial == ()


def test_pitch_with_surge_heave_and_pitch() -> None:
    """A planted pitch about the ground: three accelerometers see all of it."""
    three = placed(("x", CENTRE), ("z", (-0.28, 0.0, 0.1)), ("z", (0.22, 0.0, 0.1)))
    channels = with_inertia((*three, component("pitch moment"), component("rear lift")), MODEL)
    linear, angular = np.array([0.4, 0.0, -1.5]), np.array([0.0, 7.0, 0.0])
    readings = readings_of(channels, linear, angular)
    expected = loads_by_points(linear, angular)

    for name in ("pitch moment", "rear lift"):
        assert added(channels, name, readings) == pytest.approx(expected[name])


def test_accelerometers_side_by_side_do_not_tell_rotation() -> None:
    """1 cm apart: their mean is the heave, their difference is noise."""
    two = placed(("z", (0.015, 0.0, 0.15)), ("z", (0.025, 0.0, 0.15)))
    sheet = with_inertia((*two, component("lift")), MODEL)

    assert dict(sheet[-1].inertial) == {"a0": pytest.approx(30.0), "a1": pytest.approx(30.0)}


def test_means_leave_the_accelerometers_out() -> None:
    """Gravity and offset of a sensor never reach a coefficient's mean; its fluctuation does."""
    sheet = with_inertia((*placed(("z", CENTRE)), component("lift")), MODEL)
    flow = FlowState(40.0, 1000.0, 1.25, 1.8e-5, None)
    lift = next(q for q in run_quantities(sheet, MODEL, flow) if q.name == "lift")

    assert lift.row.tolist() == [0.0, pytest.approx(1 / 200)]
    assert lift.fluctuation_row.tolist() == [pytest.approx(60 / 200), pytest.approx(1 / 200)]


def test_what_follows_from_corrected_components_is_corrected() -> None:
    """Rear lift of lift and pitch moment takes the inertial part of both."""
    channels = with_inertia(
        (*placed(*EVERYWHERE), component("lift"), component("pitch moment")), MODEL
    )
    rng = np.random.default_rng(3)
    linear, angular = rng.standard_normal(3), rng.standard_normal(3)
    samples = np.concatenate([readings_of(channels, linear, angular), [0.0, 0.0]])
    rear = next(q for q in run_quantities(channels, MODEL, None) if q.name == "rear lift")

    expected = loads_by_points(linear, angular)["rear lift"]
    assert rear.fluctuation_row @ samples == pytest.approx(expected)
    assert rear.row @ samples == 0.0


def findings(model: Model | None, *channels: Channel, kind: str = "wind-on") -> list[Finding]:
    """What is said of a run with these channels."""
    run = Run(
        "014",
        "bare",
        "wind-off" if kind == "wind-off" else "wind-on",
        Path("014.toml"),
        (Path("014.csv"),),
        ("014.csv",),
        with_inertia(channels, model),
        ClockOptions(rate_hz=1000.0),
    )
    return list(inertia_findings(run, model))


def test_what_stays_in_is_said_with_what_it_needs() -> None:
    """Heave alone: lift is done, pitch moment lacks two motions, a coefficient cannot be done."""
    sheet = (
        *placed(("z", CENTRE)),
        component("lift"),
        component("pitch moment"),
        component("drag", unit="1"),
    )
    (finding,) = findings(MODEL, *sheet)

    assert (finding.severity, finding.code) == ("note", "inertia-partly-corrected")
    assert "removed from lift; it stays in pitch moment" in finding.message
    assert "(needs the acceleration in x and the acceleration in pitch)" in finding.message
    assert "drag (needs its reading as a load, not as a coefficient)" in finding.message


def test_an_inertia_that_is_not_stated_is_asked_for() -> None:
    """All motions are known, but not what they weigh."""
    model = dataclasses.replace(MODEL, inertia_kg_m2=(None, None, None))
    (finding,) = findings(model, *placed(*EVERYWHERE), component("pitch moment"))

    assert "not removed: it stays in pitch moment (needs [model] pitch_inertia)" in finding.message


def test_accelerometers_without_a_mass_are_of_no_use() -> None:
    """And that is said; nothing is said of one that is not on the model, or without wind."""
    bare = dataclasses.replace(MODEL, mass_kg=None, centre_of_gravity_m=None)
    sheet = (*placed(("z", CENTRE)), component("lift"))
    (finding,) = findings(bare, *sheet)

    assert finding.code == "inertia-not-removed"
    assert "its mass is not stated" in finding.message
    assert findings(bare, *sheet, kind="wind-off") == []
    assert findings(MODEL, accelerometer(0, None, CENTRE), component("lift")) == []


def test_a_resonance_without_damping_leaves_a_notch() -> None:
    """Stated damping: nothing to say."""
    lift = dataclasses.replace(component("lift"), natural_frequency_hz=38.0)
    (finding,) = findings(MODEL, *placed(("z", CENTRE)), lift)

    assert (finding.code, finding.channel) == ("inertia-without-damping", "lift")
    assert "a narrow notch at 38 Hz" in finding.message
    damped = dataclasses.replace(lift, damping=0.02)
    assert findings(MODEL, *placed(("z", CENTRE)), damped) == []


def test_sheets_state_mass_and_direction(tmp_path: Path) -> None:
    """A campaign's own channels come out with what the accelerometer adds to them."""
    stated = {
        "mass": "60 kg",
        "centre_of_gravity": ["2 cm", "0 m", "150 mm"],
        "pitch_inertia": "3.4 kg m^2",
    }
    sheet = run_sheet("014")
    sheet["channel"][1] |= {"measures": "acceleration", "unit": "g", "direction": "z"}
    sheet["channel"][1]["at"] = ["0.02 m", "0 m", "0.15 m"]
    del sheet["channel"][1]["tubing"]
    model = CAMPAIGN | {"model": CAMPAIGN["model"] | stated}
    campaign = open_campaign(write_campaign(tmp_path, {"014": sheet}, model))

    assert campaign.model is not None
    assert campaign.model.centre_of_gravity_m == pytest.approx(CENTRE)
    assert campaign.model.inertia_kg_m2 == (None, 3.4, None)
    lift, heave = campaign.run("014").channels
    assert lift.inertial == ((heave.name, pytest.approx(60.0)),)
