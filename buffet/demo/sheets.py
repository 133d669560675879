"""Text of the campaign's sheets."""

from __future__ import annotations

from buffet.demo.logger import (
    ANTIALIAS_CUTOFF_HZ,
    CHANNELS,
    FULL_SCALE_COUNTS,
    LoggerChannel,
)
from buffet.demo.schedule import PlannedRun
from buffet.demo.truth import CONFIGURATIONS, FAN_LINE, MODEL

CAMPAIGN = f"""\
# Invented campaign: a 30 % model of a small hatchback that never existed, with a bare tailgate
# and three add-ons. The signals are simulated; truth.json says from what. Of use for trying the
# program and for checking it, and for nothing else: no number here is a measurement.
#
# Each configuration was run at three wind speeds, twice, between two wind-off zeros. The balance
# resonates at 100 Hz in the lift directions; mains hum and a fan line are in the recordings.
format = 1

[campaign]
title = "Hatchback tailgate add-ons, 30 % model (invented)"
baseline = "{CONFIGURATIONS[0].name}"

[model]
scale = {MODEL.scale:.2f}
frontal_area = "{MODEL.frontal_area_m2} m^2"
wheelbase = "{MODEL.wheelbase_m} m"
strouhal_length = "{MODEL.strouhal_length_m} m"
strouhal_length_is = "body height"

[test_section]
kind = "closed"
area = "{MODEL.test_section_m2} m^2"

[tunnel]
blades = {FAN_LINE.blades}                         # of the fan; its speed stands in the run sheets

[vehicle]
file = "vehicle.toml"
"""

VEHICLE = """\
# Invented small hatchback, full scale; per wheel unless said otherwise.
format = 1

[vehicle]
name = "small hatchback"
source = "invented; typical values, from memory"
mass = "1150 kg"                   # driver in
wheelbase = "2.58 m"
front_axle_mass = "700 kg"
cg_height = "0.54 m"
pitch_inertia = "1500 kg m^2"
roll_inertia = "400 kg m^2"
yaw_inertia = "1700 kg m^2"

[front]
track = "1.48 m"
unsprung_mass = "38 kg"
wheel_rate = "20 kN/m"
damping = "1500 N s/m"
tyre_stiffness = "190 kN/m"
cornering_stiffness = "40 kN/rad"
relaxation_length = "0.4 m"
roll_stiffness = "10 kN m/rad"     # axle

[rear]
track = "1.47 m"
unsprung_mass = "36 kg"
wheel_rate = "21 kN/m"
damping = "1300 N s/m"
tyre_stiffness = "190 kN/m"
cornering_stiffness = "38 kN/rad"
relaxation_length = "0.4 m"
roll_stiffness = "9 kN m/rad"

[seat]
at = ["-0.1 m", "-0.35 m", "0.6 m"]

[steering]
ratio = 15.5
trail = "35 mm"
assist = 0.7

[road_load]
rolling_resistance = 0.011
power = "74 kW"
efficiency = 0.9

[spread]
mass = 0.05
"""


def run_sheet(plan: PlannedRun, sample_rate_hz: float) -> str:
    """Run sheet of one run."""
    head = [
        "format = 1",
        "",
        *_run_table(plan),
        "",
        *_air_table(plan),
        "",
        *_tunnel_table(plan),
        "[sampling]",
        f'rate = "{sample_rate_hz:g} Hz"',
        f'antialias_cutoff = "{ANTIALIAS_CUTOFF_HZ:g} Hz"',
    ]
    channels = [line for channel in CHANNELS for line in ("", *_channel_table(channel))]
    return "\n".join((*head, *channels, ""))


def _run_table(plan: PlannedRun) -> list[str]:
    lines = ["[run]", f'number = "{plan.number}"']
    if plan.wind_on:
        lines.append(f'configuration = "{plan.configuration.name}"')
    lines += [
        f'kind = "{"wind-on" if plan.wind_on else "wind-off"}"',
        f'recording = "../recordings/{plan.number}.csv.gz"',
        f"started = {plan.started:%Y-%m-%dT%H:%M:%SZ}",
    ]
    if plan.wind_on:
        lines += [f'zero_before = "{plan.zero_before}"', f'zero_after = "{plan.zero_after}"']
    return lines


def _air_table(plan: PlannedRun) -> list[str]:
    air = plan.air
    speed = [f'speed = "{air.speed_m_s:.2f} m/s"'] if plan.wind_on else []
    return [
        "[air]",
        *speed,
        f'temperature = "{air.temperature_deg_c:.1f} degC"',
        f'static_pressure = "{air.static_pressure_hpa:.1f} hPa"',
        f"relative_humidity = {air.relative_humidity:.2f}",
    ]


def _tunnel_table(plan: PlannedRun) -> list[str]:
    """The fan's speed to a revolution, as its instrument shows it."""
    if not plan.wind_on:
        return []
    return ["[tunnel]", f'fan_speed = "{FAN_LINE.shaft_rpm(plan.air.speed_m_s):.0f} rpm"', ""]


def _channel_table(channel: LoggerChannel) -> list[str]:
    lines = [
        "[[channel]]",
        f'column = "{channel.column}"',
        f'name = "{channel.name}"',
        f'measures = "{channel.measures}"',
        'unit = "count"',
        f'gain = "{channel.gain:g} {channel.gain_unit}/count"',
        f'full_scale = "{FULL_SCALE_COUNTS} count"',
    ]
    if channel.natural_frequency_hz is not None:
        lines += [
            f'natural_frequency = "{channel.natural_frequency_hz:g} Hz"',
            f"damping = {channel.damping:g}",
        ]
    if channel.at_m is not None:
        lines.append("at = [" + ", ".join(f'"{metre:.2f} m"' for metre in channel.at_m) + "]")
    return lines
