"""Density and viscosity of air against printed values and against the oncoming flow's algebra."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from ingest import ROAD_AIR, Model, Run, StatedAir, density_kg_m3, flow_state, viscosity_pa_s
from ingest.channel import Channel, Measures
from ingest.flow_findings import flow_findings
from ingest.recording import ClockOptions

PUBLISHED = Path(__file__).parents[1] / "published" / "air.csv"
ROWS = list(csv.DictReader(PUBLISHED.read_text(encoding="utf-8").splitlines()))

MODEL = Model(0.30, 0.194, 0.775, 0.435, "body height")
STANDARD = {"temperature_k": 293.15, "static_pressure_pa": 101325.0, "relative_humidity": 0.5}
DENSITY = 1.1993139  # of STANDARD: the first row of the published table


def a_run(air: StatedAir, *channels: tuple[str, Measures], kind: str = "wind-on") -> Run:
    """A run with nothing but its air and the channels that measure it."""
    return Run(
        number="1",
        configuration="bare tailgate",
        kind="wind-off" if kind == "wind-off" else "wind-on",
        sheet=Path("runs/1.toml"),
        recordings=(Path("runs/1.csv"),),
        sources=("runs/1.csv",),
        channels=tuple(Channel(n, n, m, "SI", 1.0) for n, m in channels),
        clock=ClockOptions(rate_hz=1000.0),
        air=air,
    )


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['quantity']}-{row['value']}")
def test_air_has_the_printed_values(row: dict[str, str]) -> None:
    """Every row of the table is met within the tolerance printed beside it."""
    temperature_k = float(row["temperature_k"])
    if row["quantity"] == "density":
        found = density_kg_m3(
            temperature_k, float(row["pressure_pa"]), float(row["relative_humidity"])
        )
    else:
        found = viscosity_pa_s(temperature_k)

    assert found == pytest.approx(float(row["value"]), abs=float(row["tolerance"]))


def test_road_air_is_the_standard_day() -> None:
    """20 °C, 101 325 Pa, 50 %: the density of the published table."""
    assert ROAD_AIR.density_kg_m3 == pytest.approx(DENSITY, abs=1e-7)
    assert ROAD_AIR.viscosity_pa_s == pytest.approx(1.813406e-5, abs=5e-12)


def test_stated_speed_gives_dynamic_pressure_and_reynolds_number() -> None:
    """q = ½ ρ U² and Re = ρ U L / μ on the Strouhal length, worked out by hand."""
    flow = flow_state(a_run(StatedAir(speed_m_s=40.0, **STANDARD)), MODEL, {})

    assert flow is not None
    assert flow.dynamic_pressure_pa == pytest.approx(800.0 * DENSITY, rel=1e-6)
    assert flow.reynolds == pytest.approx(40.0 * 0.435 / (1.813406e-5 / DENSITY), rel=1e-6)
    assert flow.assumed == ()


def test_stated_dynamic_pressure_gives_the_speed() -> None:
    """U = √(2 q / ρ)."""
    flow = flow_state(a_run(StatedAir(dynamic_pressure_pa=800.0 * DENSITY, **STANDARD)), None, {})

    assert flow is not None
    assert flow.speed_m_s == pytest.approx(40.0, rel=1e-6)
    assert flow.reynolds is None


def test_measured_conditions_go_before_stated_ones() -> None:
    """The record's own mean dynamic pressure and temperature are used, not the sheet's."""
    run = a_run(
        StatedAir(speed_m_s=39.0, temperature_k=250.0, relative_humidity=0.5),
        ("q", "dynamic pressure"),
        ("t", "temperature"),
        ("p", "static pressure"),
    )
    flow = flow_state(run, None, {"q": 800.0 * DENSITY, "t": 293.15, "p": 101325.0})

    assert flow is not None
    assert flow.density_kg_m3 == pytest.approx(DENSITY, abs=1e-7)
    assert flow.speed_m_s == pytest.approx(40.0, rel=1e-6)


def test_measured_speed_is_the_runs_speed() -> None:
    """An anemometer channel replaces a stated speed."""
    flow = flow_state(a_run(StatedAir(**STANDARD), ("u", "air speed")), None, {"u": 40.0})

    assert flow is not None
    assert flow.dynamic_pressure_pa == pytest.approx(800.0 * DENSITY, rel=1e-6)


def test_a_dead_pressure_channel_leaves_the_stated_speed() -> None:
    """A mean at or below zero measures nothing."""
    run = a_run(StatedAir(speed_m_s=40.0), ("q", "dynamic pressure"))
    flow = flow_state(run, None, {"q": -3.0})

    assert flow is not None
    assert flow.speed_m_s == 40.0


@pytest.mark.parametrize(("t", "p"), [(483.15, 1005.0), (21.0, -300.0), (-40.0, 1e7)])
def test_measured_air_that_cannot_be_is_not_used(t: float, p: float) -> None:
    """A slip in a channel's unit leaves the stated value, or the standard day's."""
    stated = StatedAir(speed_m_s=40.0, temperature_k=293.15)
    run = a_run(stated, ("t", "temperature"), ("p", "static pressure"))
    flow = flow_state(run, None, {"t": t, "p": p})

    assert flow is not None
    assert flow.density_kg_m3 == pytest.approx(DENSITY, abs=1e-7)
    assert flow.assumed == ("static pressure", "relative humidity")
    found = list(flow_findings(run, {"t": t, "p": p}))
    assert [(f.severity, f.code, f.channel) for f in found] == [
        ("warning", "implausible-air", "t"),
        ("warning", "implausible-air", "p"),
    ]
    assert found[0].message.startswith(f"the mean temperature is {t:.4g} SI, which air in a wind")
    assert found[0].message.endswith("the stated value was used")
    assert found[1].message.endswith("the air on the road was assumed")


@pytest.mark.parametrize("mean", [-812.5, 0.0])
def test_wind_that_blows_backwards_is_an_error(mean: float) -> None:
    """A mean dynamic pressure at or below zero on a wind-on run: most likely the gain's sign."""
    run = a_run(StatedAir(), ("q", "dynamic pressure"))
    (finding,) = flow_findings(run, {"q": mean})

    assert (finding.severity, finding.code) == ("error", "flow-not-positive")
    assert (finding.run, finding.channel) == ("1", "q")
    assert finding.message.startswith(f"the mean dynamic pressure is {mean:.4g} SI on a wind-on")
    assert finding.advice.startswith("check the sign of its gain")


def test_what_a_run_does_not_need_may_read_anything() -> None:
    """No wind in a wind-off run, no air in water, and a good channel raise nothing."""
    still = a_run(StatedAir(), ("q", "dynamic pressure"), kind="wind-off")
    water = StatedAir(speed_m_s=2.0, density_kg_m3=998.0, viscosity_pa_s=1.0e-3)
    tank = a_run(water, ("t", "temperature"), ("p", "static pressure"))
    good = a_run(StatedAir(), ("q", "dynamic pressure"), ("t", "temperature"))

    assert list(flow_findings(still, {"q": -0.1})) == []
    assert list(flow_findings(tank, {"t": 400.0, "p": 3e5})) == []
    assert list(flow_findings(good, {"q": 800.0, "t": 295.0})) == []


def test_water_is_what_the_sheet_states() -> None:
    """A stated density and viscosity are used as they stand and nothing is assumed."""
    air = StatedAir(speed_m_s=2.0, density_kg_m3=998.0, viscosity_pa_s=1.0e-3)
    flow = flow_state(a_run(air), MODEL, {})

    assert flow is not None
    assert flow.dynamic_pressure_pa == 1996.0
    assert flow.reynolds == pytest.approx(868260.0)  # 998 · 2 · 0.435 / 0.001
    assert flow.assumed == ()


def test_unstated_air_is_named_as_assumed() -> None:
    """What nobody stated is the standard day's, and the result says so."""
    flow = flow_state(a_run(StatedAir(speed_m_s=40.0)), None, {})

    assert flow is not None
    assert flow.density_kg_m3 == pytest.approx(DENSITY, abs=1e-7)
    assert flow.assumed == ("temperature", "static pressure", "relative humidity")


def test_a_stated_density_leaves_only_the_viscosity_to_the_temperature() -> None:
    """Pressure and humidity do not matter once the density is stated."""
    flow = flow_state(a_run(StatedAir(speed_m_s=40.0, density_kg_m3=1.2)), None, {})

    assert flow is not None
    assert (flow.density_kg_m3, flow.assumed) == (1.2, ("temperature",))


def test_no_wind_no_flow() -> None:
    """Wind-off runs and runs whose wind is unknown have no flow state."""
    assert flow_state(a_run(StatedAir(speed_m_s=40.0), kind="wind-off"), MODEL, {}) is None
    assert flow_state(a_run(StatedAir()), MODEL, {}) is None


def test_density_falls_with_humidity_and_rises_with_pressure() -> None:
    """Water vapour is lighter than air; p V = n R T to first order."""
    dry, moist = (density_kg_m3(293.15, 1e5, h) for h in (0.0, 1.0))

    assert moist < dry
    assert math.isclose(density_kg_m3(293.15, 9e4, 0.0) / dry, 0.9, rel_tol=1e-4)
