"""One wrong entry each: what it is, where it stands, what is written there, what the fault says."""
# ruff: noqa: E501  # one case a line reads as the table it is

from __future__ import annotations

from datetime import datetime
from typing import Any

Case = tuple[str, tuple[str | int, ...], Any, str]

# In run 014's sheet; None removes the entry.
RUN_FAULTS: list[Case] = [
    ("unknown key", ("run", "configuratoin"), "x", "run.configuratoin: unknown key; did you mean 'configuration'?"),
    ("far from any key", ("sampling", "qqq"), 1, "sampling.qqq: unknown key; known are rate,"),
    ("unknown table", ("chanel",), [], "chanel: unknown key; did you mean 'channel'?"),
    ("format", ("format",), 2, "format: got 2; wanted one of 1"),
    ("number as number", ("run", "number"), 14, "run.number: got 14; wanted text in quotes"),
    ("kind", ("run", "kind"), "wind-of", "run.kind: got 'wind-of'; wanted one of 'wind-on' or 'wind-off'; did you mean 'wind-off'?"),
    ("no configuration", ("run", "configuration"), None, "run.configuration: a wind-on run must name its configuration"),
    ("no recording", ("run", "recording"), None, "run.recording: is missing; wanted a file's path in quotes"),
    ("own zero", ("run", "zero_before"), "014", "run.zero_before: run '014' cannot be its own zero"),
    ("zero missing", ("run", "zero_before"), "0012", "run.zero_before: no run '0012'; did you mean '012'?"),
    ("zero with wind", ("run", "zero_after"), "017", "run.zero_after: run '017' is not a wind-off run"),
    ("started", ("run", "started"), "noon", "run.started: got 'noon'; wanted a date and time such as 2026-03-02T10:14:00Z"),
    ("started as number", ("run", "started"), 5, "run.started: got 5; wanted a date and time such as 2026-03-02T10:14:00Z"),
    ("started in Rome", ("run", "started"), "0014-03-02T10:14:00Z", "run.started: must lie between 1900 and 2200, got 0014-03-02T10:14:00+00:00"),
    ("encoding", ("file",), {"encoding": "utf-99"}, "file.encoding: got 'utf-99'; wanted an encoding such as 'utf-8' or 'latin-1'"),
    ("outside", ("run", "recording"), "../../secret.csv", "run.recording: must stay inside the campaign folder, got '../../secret.csv'"),
    ("absolute", ("run", "recording"), "/etc/hostname", "run.recording: must be relative to its sheet, got '/etc/hostname'"),
    ("no file", ("run", "recording"), "13.csv", "run.recording: names a file that does not exist: '13.csv'"),
    ("a folder", ("run", "recording"), "../runs", "run.recording: must name a file, got '../runs', which is none"),
    ("NUL", ("run", "recording"), "a\0b", "run.recording: is no path: 'a\\x00b' holds a NUL character"),
    ("no clock", ("sampling", "rate"), None, "sampling: needs either rate or time_column; this sheet has neither"),
    ("two clocks", ("sampling", "time_column"), "t", "sampling: needs either rate or time_column; this sheet has both"),
    ("rate", ("sampling", "rate"), "1 km", "sampling.rate: got '1 km'; wanted a frequency such as '1 kHz'"),
    ("rate of zero", ("sampling", "rate"), 0, "sampling.rate: must be above 0, got 0"),
    ("time unit", ("sampling", "time_unit"), "m", "sampling.time_unit: must be a unit of time such as 's' or 'ms', got 'm'"),
    ("ends first", ("sampling",), {"rate": 1, "from": "5 s", "to": "4 s"}, "sampling.to: must be later than from, got 4 s"),
    ("speed of zero", ("air", "speed"), "0 m/s", "air.speed: must be above zero on a wind-on run, got '0 m/s'"),
    ("negative q", ("air", "dynamic_pressure"), "-1 Pa", "air.dynamic_pressure: must be above zero on a wind-on run, got '-1 Pa'"),
    ("no wind", ("air", "speed"), None, "air: coefficients need the wind: state speed or dynamic_pressure, or a channel that measures"),
    ("water", ("air", "density"), "998 kg/m^3", "air.viscosity: is missing; a fluid of 998 kg/m^3 is not air"),
    ("humidity", ("air", "relative_humidity"), 40, "air.relative_humidity: must be at most 1, got 40"),
    ("Celsius as kelvin", ("air", "temperature"), 21, "air.temperature: got 21 K; wanted 210 to 350 K; write \"21 degC\" for degrees Celsius"),
    ("kelvin as Celsius", ("air", "temperature"), "210 degC", "air.temperature: got '210 degC', which is 483.15 K; wanted 210 to 350 K; did you mean \"210 K\"?"),
    ("no air", ("air", "temperature"), "1500 K", "air.temperature: got '1500 K'; wanted 210 to 350 K"),
    ("hPa as Pa", ("air", "static_pressure"), "1005 Pa", "air.static_pressure: got '1005 Pa'; wanted 30 to 120 kPa; did you mean \"1005 hPa\"?"),
    ("kPa as Pa", ("air", "static_pressure"), 101.3, "air.static_pressure: got 101.3 Pa; wanted 30 to 120 kPa; did you mean \"101.3 kPa\"?"),
    ("density leaves the viscosity", ("air",), {"speed": 40, "density": 1.2, "temperature": 21}, "air.temperature: got 21 K; wanted 210 to 350 K"),
    ("local time", ("run", "started"), datetime(2026, 3, 2, 10, 14), "run.started: has no time zone while other sheets state one, got 2026-03-02T10:14:00"),
    ("gain", ("channel", 0, "gain"), "250 Pa/V", "channel[0].gain: gain of a lift channel in volts must be N/V, got Pa/V"),
    ("gain of nothing", ("channel", 0, "gain"), "lots", "channel[0].gain: got 'lots'; wanted a number with a unit, such as '250 N/V'"),
    ("damping", ("channel", 0, "damping"), 1.5, "channel[0].damping: must be at most 1, got 1.5"),
    ("damping alone", ("channel", 0, "natural_frequency"), None, "channel[0].damping: only goes with natural_frequency"),
    ("column", ("channel", 0, "column"), -1, "channel[0].column: got -1; wanted a column's name or its index from 0"),
    ("measures", ("channel", 0, "measures"), "Lift", "channel[0].measures: got 'Lift'; wanted one of 'drag', "),
    ("point", ("channel", 1, "at"), ["1 m", "2 m"], "channel[1].at: got ['1 m', '2 m']; wanted 3 entries"),
    ("point's unit", ("channel", 1, "at", 2), "2 V", "channel[1].at[2]: got '2 V'; wanted a length such as '0.775 m'"),
    ("tubing", ("channel", 1, "tubing", "lenght"), "1 m", "channel[1].tubing[0].lenght: unknown key; did you mean 'length'?"),
    ("same name", ("channel", 1, "name"), "lift", "channel: 2 channels have the name 'lift'; wanted one each"),
    ("no channels", ("channel",), [], "channel: got []; wanted at least one entry"),
    ("channels as table", ("channel",), {"name": "x"}, "channel: got {'name': 'x'}; wanted a list"),
    ("balance", ("balance",), {"file": "balance.toml"}, "balance.file: a balance calibrated as a whole is not available yet"),
    ("delimiter", ("file",), {"delimiter": "::"}, "file.delimiter: got '::'; wanted a single character"),
    ("header row", ("file",), {"header_row": -1}, "file.header_row: got -1; wanted a whole number from 0 on"),
    ("missing", ("file",), {"missing": "NAN"}, "file.missing: got 'NAN'; wanted a list"),
]  # fmt: skip

CAMPAIGN_FAULTS: list[Case] = [
    ("baseline", ("campaign", "baseline"), "bare tail", "campaign.baseline: no wind-on run has the configuration 'bare tail'; did you mean 'bare tailgate'?"),
    ("title", ("campaign", "title"), None, "campaign.title: is missing; wanted text in quotes"),
    ("no table", ("campaign",), None, "campaign: is missing; wanted a [campaign] table with a title"),
    ("scale above one", ("model", "scale"), 3.3, "model.scale: must be at most 1, got 3.3"),
    ("scale of zero", ("model", "scale"), 0, "model.scale: must be above 0, got 0"),
    ("area", ("model", "frontal_area"), "0.194 m", "model.frontal_area: got '0.194 m'; wanted an area such as '0.194 m^2'"),
    ("area missing", ("model", "frontal_area"), None, "model.frontal_area: is missing; wanted an area such as '0.194 m^2'"),
    ("section", ("test_section", "kind"), "shut", "test_section.kind: got 'shut'; wanted one of 'closed' or 'open'"),
    ("small section", ("test_section", "area"), "0.1 m^2", "test_section.area: must exceed the model's frontal area of 0.194 m^2, got 0.1 m^2"),
    ("no vehicle file", ("vehicle", "file"), "car.toml", "vehicle.file: names a file that does not exist: 'car.toml'"),
    ("vehicle outside", ("vehicle", "file"), "../car.toml", "vehicle.file: must stay inside the campaign folder"),
]  # fmt: skip

VEHICLE_FAULTS: list[Case] = [
    ("wheelbase", ("vehicle", "wheelbase"), "2.61 m", "vehicle.wheelbase: must equal the model's wheelbase over its scale, 2.583 m, to 1 %; got 2.610 m"),
    ("front axle", ("vehicle", "front_axle_mass"), "1200 kg", "vehicle.front_axle_mass: must be less than the car's 1150 kg, got 1200 kg"),
    ("rate", ("rear", "wheel_rate"), "20 kN", "rear.wheel_rate: got '20 kN'; wanted a stiffness such as '20 kN/m'"),
    ("assist", ("steering", "assist"), 2, "steering.assist: must be at most 1, got 2"),
    ("spread", ("spread", "mas"), 0.1, "spread: unknown key 'mas'; did you mean 'mass'?"),
    ("spread's number", ("spread", "mass"), -1, "spread.mass: must be at least 0, got -1"),
    ("seat", ("seat",), None, "seat: is missing; wanted a [seat] table with at"),
]  # fmt: skip
