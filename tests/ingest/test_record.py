"""One pass over a recording gives calibrated, zeroed blocks without gaps, and their origin."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import (
    Campaign,
    Record,
    RecordingError,
    RecordUseError,
    ZeroReading,
    open_campaign,
)
from tests.ingest.campaigns import LIFT, TAP, run_sheet, three_runs, write_campaign

RATE_HZ = 1000.0
COUNT = {"unit": "count", "gain": "0.05 N/count", "full_scale": "32767 count"}


@pytest.fixture
def rng() -> np.random.Generator:
    """The same noise in every run of the tests."""
    return np.random.default_rng(20260302)


def write_samples(path: Path, samples: NDArray[np.float64], missing: str = "") -> None:
    """A recording with the columns bal_fz and p07 from samples (2, n)."""
    cells = [[missing if np.isnan(x) else repr(float(x)) for x in row] for row in samples.T]
    path.write_text("bal_fz,p07\n" + "\n".join(map(",".join, cells)) + "\n")


def whole(record: Record) -> NDArray[np.float64]:
    """All samples of a record, (n_channels, n)."""
    return np.concatenate(list(record.blocks()), axis=1)


def campaign_with(folder: Path, samples: dict[str, NDArray[np.float64]], **lift: Any) -> Campaign:
    """The three runs with these samples and with these keys of the lift channel."""
    runs = three_runs()
    for sheet in runs.values():
        sheet["channel"] = [LIFT | lift, TAP]
    write_campaign(folder, runs)
    for number, values in samples.items():
        write_samples(folder / "runs" / f"{number}.csv", values)
    return open_campaign(folder)


def zero_of(campaign: Campaign, number: str) -> ZeroReading:
    """A wind-off run read as a zero."""
    record = campaign.run(number).open()
    whole(record)
    return record.zero_reading()


def test_a_planted_load_is_recovered(tmp_path: Path, rng: np.random.Generator) -> None:
    """Random loads, made counts with a drifting zero, come back in newtons.

    The zero moves from 100 to 220 counts between the middles of the two wind-off runs.
    """
    n = 5000
    load_n = rng.normal(200.0, 30.0, n)
    tap_pa = rng.normal(-300.0, 20.0, n)
    middle_s, gap_s = 0.5, 30 * 60.0  # zeros of 1 s, starting half an hour apart
    time_s = np.arange(n) / RATE_HZ + 14 * 60.0  # the run starts 14 minutes after the first zero
    zero = 100.0 + 120.0 * (time_s - middle_s) / gap_s
    campaign = campaign_with(
        tmp_path,
        {
            "012": np.array([np.full(1000, 100.0), np.full(1000, 3.0)])
            + rng.normal(0, 1e-3, (2, 1000)),
            "014": np.array([load_n / 0.05 + zero, tap_pa + 3.0]),
            "016": np.array([np.full(1000, 220.0), np.full(1000, 3.0)])
            + rng.normal(0, 1e-3, (2, 1000)),
        },
        **COUNT,
    )

    record = campaign.run("014").open({n: zero_of(campaign, n) for n in ("012", "016")})
    lift, tap = whole(record)

    np.testing.assert_allclose(lift, load_n, atol=1e-4)
    np.testing.assert_allclose(tap, tap_pa, atol=1e-3)


def test_results_describe_the_whole_record(tmp_path: Path) -> None:
    """Rate, length, hash of the bytes on disk and the ordered steps."""
    samples = np.array([np.sin(np.arange(400.0)), np.cos(np.arange(400.0))])
    campaign = campaign_with(tmp_path, {"014": samples})
    zero = ZeroReading(
        "012", datetime(2026, 3, 2, 10, 0, tzinfo=UTC), {"lift": 1.0, "tailgate left": 2.0}
    )
    record = campaign.run("014").open({"012": zero})
    whole(record)

    assert (record.sample_rate_hz, record.measured_rate_hz) == (1000.0, 1000.0)
    assert (record.n_samples, record.duration_s) == (400, 0.4)
    provenance = record.provenance
    assert provenance.source == "runs/014.csv"
    assert provenance.sha256 == hashlib.sha256((tmp_path / "runs/014.csv").read_bytes()).hexdigest()
    assert provenance.sheet["run"]["number"] == "014"
    assert [s.name for s in provenance.steps] == ["read", "calibrate", "remove wind-off zero"]
    assert provenance.steps[1].settings["channels"]["lift"]["scale"] == 250.0
    assert provenance.steps[2].settings["runs"] == ("012",)
    assert provenance.steps[2].settings["first_and_last"]["lift"] == (1.0, 1.0)


def test_missing_samples_are_filled_and_claimed(tmp_path: Path) -> None:
    """A gap in a ramp becomes the ramp again; the step names the channel and the count."""
    ramp = np.arange(100.0)
    tap = ramp.copy()
    tap[40:50] = np.nan
    record = campaign_with(tmp_path, {"014": np.array([ramp, tap])}).run("014").open()

    np.testing.assert_allclose(whole(record)[1], ramp)
    step = record.provenance.steps[-1]
    assert (step.name, step.settings["samples"]) == ("fill missing samples", {"tailgate left": 10})
    assert any("missing" in f.code and f.channel == "tailgate left" for f in record.findings)


def test_wind_on_run_without_zero_is_noted(tmp_path: Path, rng: np.random.Generator) -> None:
    """Mean values then hold the sensors' zeros, and a finding says so; wind-off runs need none."""
    samples = rng.normal(0.0, 1.0, (2, 500))
    campaign = campaign_with(tmp_path, dict.fromkeys(("012", "014"), samples))
    findings = {}
    for number in ("012", "014"):
        record = campaign.run(number).open()
        whole(record)
        findings[number] = [finding.code for finding in record.findings]

    assert "zero-none" in findings["014"]
    assert "zero-none" not in findings["012"]


def test_zero_reading_is_in_the_middle_of_the_record(tmp_path: Path) -> None:
    """Two seconds of record, of which the first is skipped: the middle lies at 1.5 s."""
    runs = three_runs()
    runs["012"]["sampling"] |= {"from": "1 s"}
    folder = write_campaign(tmp_path, runs)
    write_samples(folder / "runs" / "012.csv", np.array([np.arange(2000.0), np.arange(2000.0)]))
    record = open_campaign(folder).run("012").open()
    whole(record)

    reading = record.zero_reading()

    assert reading.run == "012"
    assert reading.at == datetime(2026, 3, 2, 10, 0, 1, 500_000, tzinfo=UTC)
    assert reading.means == {"lift": 250.0 * 1499.5, "tailgate left": 1499.5}


def test_zero_reading_without_a_start_has_no_time(tmp_path: Path) -> None:
    """A sheet that states no start gives a reading without a time."""
    campaign = open_campaign(
        write_campaign(
            tmp_path, {"1": run_sheet("1", "wind-off")}, {"format": 1, "campaign": {"title": "t"}}
        )
    )
    record = campaign.run("1").open()
    whole(record)

    assert record.zero_reading().at is None


@pytest.mark.parametrize(
    "result", ["n_samples", "duration_s", "findings", "provenance", "measured_rate_hz"]
)
def test_results_before_the_end_are_refused(tmp_path: Path, result: str) -> None:
    """Nothing half-read is handed out."""
    record = open_campaign(write_campaign(tmp_path)).run("014").open()

    with pytest.raises(RecordUseError, match="run 014 are known only after its last block"):
        getattr(record, result)


def test_a_record_is_read_once(tmp_path: Path) -> None:
    """A second pass would count everything twice."""
    record = open_campaign(write_campaign(tmp_path)).run("014").open()
    whole(record)

    with pytest.raises(RecordUseError, match="run 014 was already read; open the run again"):
        record.blocks()


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    """The recording does not have what the sheet promises."""
    runs = three_runs()
    runs["014"]["channel"][0]["column"] = "bal_fx"
    run = open_campaign(write_campaign(tmp_path, runs)).run("014")

    with pytest.raises(RecordingError, match=r"bal_fx.*bal_fz"):
        whole(run.open())


def test_a_channel_that_starts_too_late_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gap too long to bridge at the very start has nothing to begin with."""
    monkeypatch.setattr("ingest.gaps.LONGEST_WAIT", 10)
    samples = np.array([np.arange(50.0), np.full(50, np.nan)])
    run = campaign_with(tmp_path, {"014": samples}).run("014")

    with pytest.raises(RecordingError, match=r"column p07: has no sample to begin with.*remove"):
        whole(run.open())


def test_flow_is_judged_with_its_zero_removed(tmp_path: Path, rng: np.random.Generator) -> None:
    """A mean of 800 Pa over a zero of 900 Pa is a wind of -100 Pa, and an error of the run."""
    runs = three_runs()
    for sheet in runs.values():
        sheet["channel"][1] = {**TAP, "name": "q", "measures": "dynamic pressure"}
    folder = write_campaign(tmp_path, runs)
    for number, pressure_pa in (("012", 900.0), ("014", 800.0), ("016", 900.0)):
        samples = rng.normal([[1.0], [pressure_pa]], 0.5, (2, 5000))
        write_samples(folder / "runs" / f"{number}.csv", samples)
    campaign = open_campaign(folder)
    record = campaign.run("014").open({n: zero_of(campaign, n) for n in ("012", "016")})
    whole(record)

    (finding,) = [f for f in record.findings if f.code == "flow-not-positive"]
    assert (finding.severity, finding.channel) == ("error", "q")
    assert finding.message.startswith("the mean dynamic pressure is -100 Pa on a wind-on run")
