"""A tube's measured response: what is read, what is refused, and what stands between its rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ingest import Campaign, Channel, CorrectionBounds, RigResponse, SheetError, open_campaign
from ingest.measured_response import MeasuredResponse, ResponseFault, read_response
from ingest.rig import rig_response
from ingest.tubing import Tube, gas_at, tubes_response
from tests.ingest.campaigns import CAMPAIGN, three_runs, write_campaign

GOOD = "frequency_hz, gain, phase_deg\n10, 1.02, -15\n20, 1.10, -32\n40, 1.60, -80\n"
ATM_PA, DENSITY, VISCOSITY = 101325.0, 1.2, 1.82e-5
GAS = gas_at(DENSITY, ATM_PA, VISCOSITY)
TUBES = (Tube(0.5, 1.5e-3, 300e-9),)


def read(folder: Path, text: str) -> MeasuredResponse:
    """The text as a file's."""
    (folder / "tube.csv").write_text(text, encoding="utf-8")
    return read_response(folder / "tube.csv", "tube.csv")


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        "# bench, 3 March\n\ngain;frequency_hz;phase_deg\n1,02;10;-15\n1,1;20;-32\n1,6;40;-80\n",
        "Frequency_Hz\tgain\tphase_rad\n10\t1.02\t-0.26179939\n20\t1.1\t-0.55850536\n"
        "40\t1.6\t-1.3962634\n",
        'frequency_hz,gain,"phase_deg",note\n0,1,0,dc\n10,1.02,345,\n20,1.1,-32,\n40,1.6,280,\n',
    ],
    ids=["plain", "decimal comma and remarks", "radians", "a row at rest and whole turns"],
)
def test_responses_are_read(tmp_path: Path, text: str) -> None:
    """The same three rows however they are written."""
    found = read(tmp_path, text)
    assert found.frequency_hz == (10, 20, 40)
    assert found.gain == (1.02, 1.1, 1.6)
    np.testing.assert_allclose(np.degrees(found.phase_rad), [-15, -32, -80], atol=1e-5)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "'tube.csv' is empty; wanted columns frequency_hz, gain, and phase_deg or phase_rad"),
        ("f,gain,phase_deg\n1,1,0\n", "has the columns f, gain, phase_deg; wanted frequency_hz,"),
        (GOOD.replace("20, 1.10", "10, 1.10"), "line 3: frequency_hz is 10; wanted frequencies"),
        (GOOD.replace("10, 1.02", "-1, 1.02"), "line 2: frequency_hz is -1; wanted frequencies"),
        (GOOD.replace("1.10", "0"), "line 3: gain is 0; wanted a gain above 0"),
        (GOOD.replace("1.10", "nan"), "line 3: gain is 'nan'; wanted a number"),
        (GOOD.replace("1.10, -32", "1.10"), "line 3: phase_deg is ''; wanted a number"),
        (GOOD.rsplit("40", 1)[0], "has 2 rows; wanted 3 or more"),
        (GOOD.replace("-", ""), "the phase leads over most frequencies, but a sensor lags"),
        (GOOD.replace("10, 1.02", "0, 0.2"), "line 2: gain is 0.2 at 0 Hz; wanted 1, sensor"),
        ("x" * 10_000_001, "is too large for a response"),
    ],
)
def test_what_is_no_response_is_refused(tmp_path: Path, text: str, fault: str) -> None:
    """What, in which line, and what was wanted."""
    with pytest.raises(ResponseFault) as caught:
        read(tmp_path, text)
    assert fault in str(caught.value)


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    """Another file was named."""
    (tmp_path / "tube.csv").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(ResponseFault, match=r"'tube.csv' cannot be read as UTF-8 text"):
        read_response(tmp_path / "tube.csv", "tube.csv")


def test_between_the_rows_log_gain_and_phase_are_straight(tmp_path: Path) -> None:
    """Halfway: the geometric mean of gains and the mean of phases; from 1 and 0 at rest."""
    found = read(tmp_path, GOOD).at(np.array([0.0, 5.0, 15.0, 30.0]))
    np.testing.assert_allclose(abs(found), [1, 1.02**0.5, (1.02 * 1.1) ** 0.5, (1.1 * 1.6) ** 0.5])
    np.testing.assert_allclose(np.degrees(np.angle(found)), [0, -7.5, -23.5, -56], atol=1e-9)


def test_a_measured_response_corrects_as_the_model_it_was_drawn_from(tmp_path: Path) -> None:
    """The model sampled each 2 Hz and wrapped to a turn: gain, band and lag agree."""
    at = np.arange(2.0, 181.0, 2.0)
    response = tubes_response(at, TUBES, GAS)
    rows = zip(at, np.abs(response), np.angle(response), strict=True)
    text = "".join(f"{f},{gain:.8g},{phase:.8g}\n" for f, gain, phase in rows)
    measured = read(tmp_path, "frequency_hz,gain,phase_rad\n" + text)
    tap, modelled = (Channel("p", 0, "pressure", "Pa", 1.0, tubing=t) for t in (measured, TUBES))
    rig = RigResponse(1000.0, gas=GAS)

    fine = np.linspace(0, 180, 700)
    np.testing.assert_allclose(rig.gain(fine, tap), rig.gain(fine, modelled), rtol=5e-3)
    assert rig.usable_to_hz(tap) == pytest.approx(180)  # nothing is known beyond
    assert rig.usable_to_hz(modelled) > 250
    done, model = rig.tubing_correction(tap), rig.tubing_correction(modelled)
    assert done is not None
    assert model is not None
    assert done.lag_s == pytest.approx(model.lag_s, rel=0.01)
    assert (done.model, model.model) == ("measured", "Bergh and Tijdeman 1965")


def opened(folder: Path, campaign: dict[str, object], run: dict[str, object]) -> Campaign:
    """The small campaign with tables added to it and to run 014."""
    runs = three_runs()
    runs["014"] |= run
    return open_campaign(write_campaign(folder, runs, CAMPAIGN | campaign))


def test_tubes_of_a_sheet_arrive_in_si(tmp_path: Path) -> None:
    """One table is one tube."""
    tap = opened(tmp_path, {}, {}).run("014").channels[1]
    assert tap.tubing == (Tube(0.5, 1.5e-3, pytest.approx(300e-9)),)


def test_a_sheet_names_a_measured_response(tmp_path: Path) -> None:
    """Beside the sheet, and read when the campaign is opened."""
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "tube.csv").write_text(GOOD)
    runs = three_runs()
    runs["014"]["channel"][1]["tubing"] = {"response": "tube.csv"}
    tubing = open_campaign(write_campaign(tmp_path, runs)).run("014").channels[1].tubing
    assert isinstance(tubing, MeasuredResponse)
    assert (tubing.file, tubing.last_hz) == ("tube.csv", 40)


def test_a_damaged_response_is_a_fault_among_all_others(tmp_path: Path) -> None:
    """With the file, the key and the line; the other sheet's fault is listed too."""
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "tube.csv").write_text(GOOD.replace("1.10", "-1"))
    runs = three_runs()
    runs["014"]["channel"][1]["tubing"] = {"response": "tube.csv"}
    runs["016"]["run"]["kind"] = "off"
    with pytest.raises(SheetError) as caught:
        open_campaign(write_campaign(tmp_path, runs))
    said = [str(fault) for fault in caught.value.faults]
    assert any(
        "runs/014.toml: channel[1].tubing.response: 'tube.csv', line 3: gain is -1" in one
        for one in said
    )
    assert any("runs/016.toml: run.kind" in one for one in said)


def test_a_run_sheet_overrides_the_campaigns_bounds(tmp_path: Path) -> None:
    """Key by key; what neither states has its default."""
    campaign = {"corrections": {"largest_amplification": 3, "usable_share_of_resonance": 0.7}}
    found = opened(tmp_path, campaign, {"corrections": {"largest_amplification": 2}})
    assert found.run("014").bounds == CorrectionBounds(2, 0.5, 0.7)
    assert found.run("012").bounds == CorrectionBounds(3, 0.5, 0.7)


def test_the_gas_is_that_of_the_run(tmp_path: Path) -> None:
    """Stated air; standard air where nothing is said; water is none.

    √(1.4 · 287.05 T) is 344.4 m/s at 22 °C, 343.2 at 20 °C in dry air. Water vapour's part x in
    1006 hPa, 1.05 % at 40 % and 22 °C, lowers the density by 0.378 x: half of that is added.
    """
    run = opened(tmp_path, {}, {}).run("014")
    gas = rig_response(run, 1000.0, {}).gas
    assert gas is not None
    assert gas.sound_speed_m_s == pytest.approx(344.4 * 1.0020, rel=2e-4)
    bare = opened(tmp_path / "off", {}, {}).run("012")
    standard = rig_response(bare, 1000.0, {}).gas
    assert standard is not None
    assert standard.sound_speed_m_s == pytest.approx(343.2 * 1.0022, rel=2e-4)

    air = {"speed": "2 m/s", "density": "998 kg/m^3", "viscosity": "1e-3 Pa s"}
    water = opened(tmp_path / "water", {}, {"air": air}).run("014")
    rig = rig_response(water, 1000.0, {})
    assert rig.gas is None
    np.testing.assert_array_equal(rig.gain(np.array([0.0, 50.0]), water.channels[1]), 1)
    assert rig.tubing_correction(water.channels[1]) is None
    assert rig.usable_to_hz(water.channels[1]) == pytest.approx(280)


def test_beyond_its_bound_the_gain_stays_there_and_keeps_its_phase() -> None:
    """A thin tube at 4000 Hz, where it passes nothing: four, not infinity."""
    tap = Channel("p", 0, "pressure", "Pa", 1.0, tubing=(Tube(3.0, 5e-4, 300e-9),))
    gain = RigResponse(20_000.0, gas=GAS).gain(np.array([0.0, 4000.0, 9000.0]), tap)
    np.testing.assert_allclose(np.abs(gain), [1, 4, 4])


def test_noise_ends_the_band_of_its_channel_alone() -> None:
    """A tap with a noisy sensor and one without, at the end of equal tubes."""
    taps = [Channel(name, 0, "pressure", "Pa", 1.0, tubing=TUBES) for name in ("p1", "p2")]
    rig = RigResponse(1000.0, gas=GAS, noisy_from_hz={"p1": 120.0})
    noisy, quiet = (rig.usable_to_hz(tap) for tap in taps)
    assert noisy == 120
    assert quiet > 250
