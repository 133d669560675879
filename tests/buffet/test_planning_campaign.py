"""`buffet plan`: from an earlier campaign, its outputs, and run sheets that are filled in."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.errors import NotRateableError, OutputError
from buffet.planning.earlier import RunCost, excess_of, run_cost, told_scatter
from buffet.planning.plan import NO_PEAK, Plan, plan
from buffet.planning.sampling import hz_text
from buffet.planning.sheet_template import FILL_IN
from buffet.planning.sheets import require_new_folder, write_sheets
from buffet.planning.text import plan_text
from buffet.planning.toml_text import toml_text
from buffet.planning.wishes import ASKED, EARLIER, Wishes, settle
from buffet.rating.scatter import Scatter
from ingest import Campaign, SheetError, open_campaign
from tests.buffet.campaigns import lift_run, run_buffet, wind_off, write_runs, write_sheet
from tests.ingest.campaigns import CAMPAIGN, VEHICLE, toml, write_campaign

STATED = ("--scale", "0.30", "--length", "0.435 m", "--wind-speed", "50 m/s")
USUAL = Wishes(scale=0.3, strouhal_length_m=0.435, wind_speeds_m_s=(50.0,))
TINY = replace(USUAL, channels=6, repeats=1, configurations=("bare", "lip"))


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """White lift in two configurations, the bare car run twice."""
    runs = [
        wind_off("0"),
        *(replace(lift_run(n, 0.03), zero="0") for n in ("1", "2")),
        replace(lift_run("3", 0.015, "spoiler"), zero="0"),
    ]
    return open_campaign(write_runs(tmp_path_factory.mktemp("plan") / "earlier", runs))


@pytest.fixture(scope="module")
def planned(earlier: Campaign) -> Plan:
    """From it, in a band of 1 to 8 Hz on the road."""
    wishes = Wishes(band_hz=(1.0, 8.0), natural_frequency_hz=200.0)
    return plan(wishes, analyse(earlier))


def test_measured_spectra_give_the_bandwidth(earlier: Campaign) -> None:
    """White noise: that of the band, 1 to 8 Hz at 80 km/h and 40 m/s, 42 Hz wide; c = 1/(4 B)."""
    premises = settle(replace(USUAL, band_hz=(1.0, 8.0)), {})
    width_hz = 7 * 40 / (160 / 3.6 * 0.3)  # at the highest road speed, where it is narrowest
    run = analyse(earlier, ["1"]).runs[0]

    found = run_cost(run, "lift", premises)
    assert found is not None
    assert found.gaussian == pytest.approx(1 / (4 * width_hz * 0.435 / 40), rel=0.1)
    assert found.scattered == pytest.approx(found.gaussian, rel=0.6)  # as few blocks tell it
    assert run_cost(run, "yaw moment", premises) is None


def test_the_earlier_campaign_says_what_it_can(planned: Plan) -> None:
    """Scale, wind, channels, configurations; no peak in white noise."""
    told = {one.key: one for one in planned.premises.told}
    assert (told["scale"].value, told["scale"].source) == (0.3, EARLIER)
    assert told["wind_speeds_m_s"].value == (40.0,)
    assert told["channels"].value == 3
    assert told["configurations"].value == ("bare", "spoiler")
    assert told["natural_frequency_hz"].source == ASKED
    assert "run_to_run" not in told  # two repeats tell it
    assert dict(planned.not_planned)["Strouhal number"] == NO_PEAK
    assert {one.configuration for one in planned.subjects.fluctuations} == {"bare", "spoiler"}
    assert planned.records.wishes[0].demand.known_freedom == 1


def test_a_stated_peak_rests_on_what_is_taken_for_the_rest_of_it(earlier: Campaign) -> None:
    """Its width, share and scatter are listed; not so where no peak is planned for."""
    analysis = analyse(earlier)
    rest = {"quality", "peak_share", "strouhal_scatter"}
    wishes = Wishes(band_hz=(1.0, 8.0))
    stated = plan(replace(wishes, strouhal=0.15), analysis)
    assert rest < {one.key for one in stated.premises.defaults}
    assert stated.premises["strouhal"] == 0.15
    unstated = {one.key for one in plan(wishes, analysis).premises.defaults}
    assert not rest & unstated
    assert "strouhal" in unstated  # the sweep's peak


def test_scatter_over_wind_speeds_is_taken_from_a_campaign_at_one(earlier: Campaign) -> None:
    """And is listed, since the onset is planned with it, unless it was asked for."""
    analysis = analyse(earlier)
    wishes = Wishes(band_hz=(1.0, 8.0), growth=1.5)
    for stated, fixed in ((None, 0.02), (0.03, 0.03)):
        found = plan(replace(wishes, speed_scatter=stated), analysis)
        onset = next(one for one in found.records.wishes if one.demand.wish == "onset speed")
        assert onset.demand.fixed == fixed
        taken = "speed_scatter" in {one.key for one in found.premises.defaults}
        assert taken == (stated is None)


def test_the_component_that_bursts_most_is_named(planned: Plan) -> None:
    """Whatever the order of the components."""
    first = planned.subjects.fluctuations[0]
    for excesses in ((1.9, 1.2, 1.0), (1.0, 1.2, 1.9)):
        own = tuple(replace(first, excess=one) for one in excesses)
        text = plan_text(replace(planned, subjects=replace(planned.subjects, fluctuations=own)))
        assert f"{first.configuration} (1.9 times)" in " ".join(text.split())


def test_numbers_read_plainly() -> None:
    """No exponents of large frequencies; one fitting is once."""
    found = plan_text(plan(replace(USUAL, repeats=1, band_hz=(1.0, 9000.0))))
    assert "once an add-on is fitted" in " ".join(found.split())
    assert not re.search(r"\de\+\d+ Hz", found)
    texts = [hz_text(one) for one in (80_000.0, 999.7, 1234.0, 13.79, 0.2321)]
    assert texts == ["80000", "1000", "1230", "13.8", "0.232"]


def test_scatter_is_no_less_than_chance_could_hide() -> None:
    """Repeats that agree: own √(2/ν), halved as variances are; as asked where it was asked for."""
    agree = Scatter(observed=0.001, own=0.004, freedom=8, over_speed={})
    premises = settle(USUAL, {})
    assert told_scatter(agree, premises, "run_to_run", 0.5) == (
        pytest.approx(0.5 * np.sqrt(0.004 / 2)),
        8.0,
    )
    apart = replace(agree, observed=0.02)
    assert told_scatter(apart, premises, "run_to_run", 0.5)[0] == pytest.approx(np.sqrt(0.016) / 2)
    asked = settle(replace(USUAL, run_to_run=0.03), {})
    assert told_scatter(apart, asked, "run_to_run", 0.5) == (0.03, np.inf)
    assert told_scatter(replace(agree, freedom=0), premises, "run_to_run", 0.5)[0] == 0.02


def test_bursts_count_beyond_chance() -> None:
    """50 degrees of freedom: 2 √(2/50) = 0.4."""
    costs = [RunCost(1.0, 1.3, 51.0)]
    assert excess_of(costs, 1.0) == 1.0
    assert excess_of([replace(costs[0], scattered=1.5)], 1.0) == pytest.approx(1.5)


def test_a_campaign_without_model_is_refused(tmp_path: Path) -> None:
    """Before it is read."""
    sheet = {"format": 1, "campaign": {"title": "x"}}
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.03, seconds=5.0)], sheet)
    done = run_buffet("plan", folder)
    assert done.exit_code == 1
    assert "no [model] is stated" in done.stderr
    with pytest.raises(NotRateableError):
        plan(USUAL, analyse(open_campaign(folder)))


def test_recordings_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    """One of two: planned by the other, exit 1; both: nothing to plan by."""
    runs = [lift_run(n, 0.03, seconds=20.0) for n in ("1", "2")]
    folder = write_runs(tmp_path / "c", runs)
    (folder / "runs" / "2.csv").write_text("x\n")
    done = run_buffet("plan", folder)
    assert done.exit_code == 1
    assert "run with" in done.stdout
    assert "run 2 left out" in done.stderr
    (folder / "runs" / "1.csv").write_text("x\n")
    lost = run_buffet("plan", folder)
    assert lost.exit_code == 1
    assert "no wind-on run could be read, so there is nothing to plan by" in lost.stderr
    assert not lost.stdout


def test_text_is_readable_and_json_tells_the_same(earlier: Campaign) -> None:
    """80 columns; a document that scripts can rely on."""
    options = ("plan", earlier.folder, "--band", "1 Hz", "8 Hz", "--rms-within", "0.1 %")
    shown, printed = run_buffet(*options), run_buffet(*options, "--json")
    assert shown.exit_code == printed.exit_code == 0, shown.stderr
    assert max(map(len, shown.stdout.splitlines())) <= 80
    document = json.loads(printed.stdout)
    assert (document["format"], document["version"]) == ("buffet/plan", 1)
    rms = next(one for one in document["wishes"] if one["wish"] == "RMS")
    assert not rms["reached"]
    assert rms["within"] == pytest.approx(0.001)
    assert f"{document['record_s']:.0f} s with wind" in shown.stdout
    for lost in document["out_of_reach"]:
        assert lost["what"] in " ".join(shown.stdout.split())
        assert lost["change"] in " ".join(shown.stdout.split())


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        ((), 1, "a plan needs scale (--scale 0.30), strouhal length (--length"),
        (
            (*STATED, "--from", "200 km/h"),
            2,
            "--from must lie below --to; they are 200 and 160 km/h",
        ),
        ((*STATED, "--band", "1", "20 Hz"), 2, "wanted a frequency with its unit"),
        ((*STATED, "--length", "3 kg"), 2, "wanted a length with its unit"),
        ((*STATED, "--repeats", "11"), 2, "11 is not in the range"),
        (("nowhere",), 1, "no campaign.toml in nowhere"),
    ],
)
def test_wrong_wishes_get_one_message(options: Sequence[str], code: int, message: str) -> None:
    """No traceback, nothing on stdout."""
    done = run_buffet("plan", *options)
    assert done.exit_code == code
    assert message in done.stderr
    assert not done.stdout


def filled(value: Any, key: str = "") -> Any:
    """A sheet with every place filled in."""
    if isinstance(value, dict):
        return {name: filled(inner, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [filled(inner, key) for inner in value]
    if value != FILL_IN:
        return value
    return {
        "started": "2026-03-02T10:14:00Z",
        "speed": "40 m/s",
        "temperature": "22 degC",
        "static_pressure": "1006 hPa",
        "relative_humidity": 0.4,
        "fan_speed": "255 rpm",
        "frontal_area": "0.194 m^2",
        "wheelbase": "0.775 m",
        "length": "0.5 m",
    }.get(key, "fill in")


def fill_in(folder: Path) -> None:
    """As an engineer would, and with recordings."""
    for path in [folder / "campaign.toml", *folder.glob("runs/*.toml")]:
        table = filled(tomllib.loads(path.read_text(encoding="utf-8")))
        for channel in table.get("channel", ()):
            units = {"pressure": "Pa/V", "moment": "N m/V"}
            per = next((u for word, u in units.items() if word in channel["measures"]), "N/V")
            channel["gain"] = (
                f"250 {per}" if channel.get("gain") == FILL_IN else channel.get("gain")
            )
            if channel["gain"] is None:
                del channel["gain"]
        path.write_text(toml(table), encoding="utf-8")
        if "run" in table:
            (path.parent / table["run"]["recording"]).write_text("0\n", encoding="utf-8")


def test_unfilled_sheets_are_refused_with_what_is_wanted(tmp_path: Path) -> None:
    """Every place once; what all sheets lack is told in one line."""
    done = run_buffet(
        "plan", *STATED, "--channels", "6", "--configuration", "bare", "-o", tmp_path / "next"
    )
    assert done.exit_code == 0, done.stderr
    assert "run sheets to" in done.stderr
    checked = run_buffet("check", tmp_path / "next")
    assert checked.exit_code == 1
    for told in (
        "campaign.toml: model.frontal_area: got 'fill in'; wanted an area such as",
        "runs/001.toml: run.started: got 'fill in'; wanted a date and time such as",
        "air.temperature: got 'fill in'; wanted a temperature such as",
        "air.speed: got 'fill in'; wanted a speed such as",
        "channel[0].gain: got 'fill in'; wanted a number with a unit, such as",
        "channel[5].tubing[0].length: got 'fill in'; wanted a length such as",
        "run.recording: names a file that does not exist: '../recordings/001.csv'",
    ):
        assert checked.stderr.count(told) == 1
    assert "(likewise in 9 more sheets)" in checked.stderr


def test_filled_in_sheets_are_a_campaign(tmp_path: Path) -> None:
    """Runs, zeros, sampling and tubes are those of the plan."""
    found = plan(replace(TINY, natural_frequency_hz=200.0))
    write_sheets(found, tmp_path / "next")
    fill_in(tmp_path / "next")
    campaign = open_campaign(tmp_path / "next")

    assert [run.number for run in campaign.runs] == [run.number for run in found.runs]
    assert [r.configuration for r in campaign.wind_on] == [
        run.configuration for run in found.runs if run.wind_on
    ]
    assert campaign.baseline == "bare"
    first = campaign.wind_on[0]
    assert first.clock.rate_hz == found.sampling.rate_hz
    assert first.antialias_cutoff_hz == pytest.approx(found.sampling.cutoff_hz)
    assert first.channels[0].natural_frequency_hz == 200
    assert first.channels[5].tubing is not None
    assert campaign.model is not None
    assert campaign.model.strouhal_length_m == pytest.approx(0.435)


def test_an_earlier_campaign_is_carried_over(tmp_path: Path) -> None:
    """Channels as they were logged, the car with its seat's file, a tube's measured response."""
    car = VEHICLE | {"seat": {**VEHICLE["seat"], "transfer": "seat.csv"}}
    folder = write_campaign(tmp_path / "old", vehicle=car)
    response = "frequency_hz,gain,phase_deg\n1,1,-2\n40,1.1,-30\n90,1,-90\n"
    (folder / "seat.csv").write_text(response)
    (folder / "runs" / "tube.csv").write_text(response)
    sheet = tomllib.loads((folder / "runs" / "014.toml").read_text(encoding="utf-8"))
    sheet["channel"][1]["tubing"] = {"response": "tube.csv"}
    sheet["tunnel"] = {"fan_speed": "225 rpm"}
    write_sheet(folder, "014", sheet)
    campaign = open_campaign(folder)
    write_sheets(
        plan(replace(TINY, configurations=("bare tailgate", "lip"))), tmp_path / "new", campaign
    )
    raw = tomllib.loads((tmp_path / "new" / "runs" / "002.toml").read_text(encoding="utf-8"))
    assert raw["tunnel"]["fan_speed"] == raw["air"]["speed"] == raw["run"]["started"] == FILL_IN
    fill_in(tmp_path / "new")

    again = open_campaign(tmp_path / "new")
    assert again.model == campaign.model
    assert again.vehicle is not None
    assert again.vehicle.seat is not None
    assert again.title == f"After: {CAMPAIGN['campaign']['title']}"
    assert [c.stated for c in again.wind_on[0].channels] == [
        c.stated for c in campaign.run("014").channels
    ]
    assert again.configurations == ("bare tailgate", "lip")


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    """Refused before anything is worked out; a file, and a place without a parent, alike."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("keep")
    done = run_buffet("plan", *STATED, "-o", tmp_path / "mine")
    assert done.exit_code == 1
    assert "is not empty; name a new or empty folder" in done.stderr
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["notes.txt"]
    for place, message in (("mine/notes.txt", "is a file"), ("no/where", "there is no folder")):
        with pytest.raises(OutputError, match=message):
            require_new_folder(tmp_path / place)
    (tmp_path / "empty").mkdir()
    write_sheets(plan(TINY), tmp_path / "empty")
    assert (tmp_path / "empty" / "campaign.toml").is_file()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "mine"]


def test_sheets_are_read_back_as_they_were_written() -> None:
    """By Python's own reader: quotes, tables in lists, dates, odd keys."""
    table = {
        "format": 1,
        "a": {"say": 'a "b" \\ \x7f ü', "n": -0.5, "yes": True, "odd key": [1, "x", {"k": 2.0}]},
        "channel": [{"column": 0}, {"column": "p"}],
    }
    text = toml_text(table, ["head"], {"a.n": "half", "channel.column": "name"})
    assert tomllib.loads(text) == table
    assert text.startswith("# head\nformat = 1\n")
    assert "# half" in text


def test_faults_of_all_sheets_are_gathered(tmp_path: Path) -> None:
    """Two sheets alike are told one by one, three in one line."""
    folder = write_campaign(tmp_path / "c")
    for name in ("012", "016"):
        (folder / "runs" / f"{name}.csv").unlink()
    with pytest.raises(SheetError) as error:
        open_campaign(folder)
    assert len(str(error.value).splitlines()) == 3
    for path in folder.glob("runs/*.toml"):
        path.write_text(path.read_text().replace('"1 kHz"', '"1 kg"'))
    with pytest.raises(SheetError) as error:
        open_campaign(folder)
    assert str(error.value).count("sampling.rate") == 1
    assert "(likewise in 2 more sheets)" in str(error.value)
