"""What a run's sheet says about its band and its wind, on planted slips."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from buffet.usable_band import antialias_findings, band_findings
from ingest import Channel, Finding, FlowState, RigResponse, Run, StatedAir
from ingest.recording import ClockOptions

Q = Channel("q", "q", "dynamic pressure", "Pa", 1.0)
LIFT = Channel("lift", "fz", "lift", "N", 1.0)


def a_run(*channels: Channel, **stated: Any) -> Run:
    """A wind-on run with these channels."""
    return Run(
        "014",
        "bare",
        stated.pop("kind", "wind-on"),
        Path("014.toml"),
        (Path("014.csv"),),
        ("014.csv",),
        channels or (LIFT,),
        ClockOptions(rate_hz=1000.0),
        **stated,
    )


def found(run: Run, speed_m_s: float = 40.0, density_kg_m3: float = 1.2) -> list[Finding]:
    """Findings at the speed that is used."""
    pressure_pa = density_kg_m3 * speed_m_s**2 / 2
    flow = FlowState(speed_m_s, pressure_pa, density_kg_m3, 1.8e-5, None)
    return band_findings(run, RigResponse(1000.0), flow, None)


@pytest.mark.parametrize(
    ("air", "said"),
    [
        ({"speed_m_s": 40.0}, "speed gives 40 m/s, but 41 m/s is measured (+2.5 %)"),
        # 0.5 x 1.2 kg/m3 x (50 m/s)^2 = 1500 Pa, worked out by hand
        ({"dynamic_pressure_pa": 1500.0}, "pressure gives 50 m/s, but 41 m/s is measured (-18 %)"),
    ],
)
def test_stated_and_measured_wind_disagree(air: dict[str, float], said: str) -> None:
    """A sheet copied from another run: both speeds and how far they are apart."""
    (finding,) = found(a_run(LIFT, Q, air=StatedAir(**air)), speed_m_s=41.0)

    assert (finding.severity, finding.code) == ("warning", "wind-disagrees")
    assert (finding.run, finding.channel) == ("014", None)
    assert said in finding.message


def test_two_stated_winds_disagree() -> None:
    """Without a channel the stated dynamic pressure is what counts."""
    air = StatedAir(speed_m_s=40.0, dynamic_pressure_pa=1500.0)
    (finding,) = found(a_run(air=air), speed_m_s=50.0)

    assert "gives 40 m/s, but 50 m/s follows from the stated dynamic pressure" in finding.message


def test_wind_within_two_per_cent_agrees() -> None:
    """A tunnel does not hit its set speed to the digit."""
    assert found(a_run(LIFT, Q, air=StatedAir(speed_m_s=40.0)), speed_m_s=40.7) == []
    assert found(a_run(LIFT, Q, air=StatedAir()), speed_m_s=40.7) == []


@pytest.mark.parametrize("cutoff_hz", [500.0, 2000.0])
def test_filter_that_does_not_keep_aliases_out(cutoff_hz: float) -> None:
    """Half of 1 kHz is 500 Hz; said of runs without wind and model as well."""
    (finding,) = antialias_findings(a_run(antialias_cutoff_hz=cutoff_hz), 1000.0)

    assert (finding.severity, finding.code) == ("warning", "antialias-above-nyquist")
    assert f"cutoff of {cutoff_hz:g} Hz does not lie below 500 Hz" in finding.message


def test_filter_below_half_the_rate_passes() -> None:
    """As it should be."""
    assert list(antialias_findings(a_run(antialias_cutoff_hz=400.0), 1000.0)) == []
