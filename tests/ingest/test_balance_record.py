"""A recording's bridges come out as loads: zeros, blocks, findings and provenance."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import Finding, Record, RecordingError, open_campaign
from ingest.balance_stream import BalanceStream
from tests.ingest.balances import balance_table, outputs_by_hand
from tests.ingest.campaigns import CAMPAIGN, three_runs, toml, write_campaign

Array = NDArray[np.float64]
RATE_HZ = 1000.0
ZERO_V = np.array([[0.7], [-0.3]])
# The interactions are strong, so that a wrong zero would show.
STRONG = balance_table(matrix=[[0.011, 0.0005], [-0.0002, 0.004]]) | {
    "term": [
        {"output": "b1", "inputs": ["lift", "lift"], "kind": "FG", "coefficient": 1e-6},
        {"output": "b2", "inputs": ["drag", "lift"], "kind": "F|G|", "coefficient": 3e-6},
    ]
}


def bridge_readings(loads: Array, table: dict[str, Any] = STRONG) -> Array:
    """Volts of both bridges under drag and lift, written out by loops."""
    own = table["balance"]
    return outputs_by_hand(own["matrix"], table["term"], loads, own["bridges"], own["loads"])


def write_bridges(folder: Path, readings: dict[str, Array], table: dict[str, Any] = STRONG) -> Path:
    """Zeros and run as bridges and a temperature between them, (2, n) each; quiet ones if none."""
    runs = three_runs()
    for sheet in runs.values():
        sheet["channel"] = [
            {"column": "b1", "name": "b1", "measures": "bridge", "unit": "mV"},
            {"column": "t", "name": "air", "measures": "temperature", "unit": "K"},
            {"column": "b2", "name": "b2", "measures": "bridge", "unit": "V", "full_scale": "5 V"},
        ]
    write_campaign(folder, runs, CAMPAIGN | {"balance": {"file": "balance.toml"}})
    (folder / "balance.toml").write_text(toml(table))
    for number, (b1, b2) in ({n: still() for n in runs} | readings).items():
        rows = [f"{1000 * x!r},{293.0 + i % 2},{y!r}" for i, (x, y) in
                enumerate(zip(b1.tolist(), b2.tolist(), strict=True))]  # fmt: skip
        (folder / "runs" / f"{number}.csv").write_text("b1,t,b2\n" + "\n".join(rows) + "\n")
    return folder


def whole(record: Record) -> Array:
    """All samples, (n_channels, n)."""
    return np.concatenate(list(record.blocks()), axis=1)


def read(folder: Path, number: str = "014") -> tuple[Array, Record]:
    """A run with its zeros removed, and its record."""
    campaign = open_campaign(folder)
    zeros = {}
    for off in campaign.wind_off:
        record = off.open()
        whole(record)
        zeros[off.number] = record.zero_reading()
    record = campaign.run(number).open(zeros if number == "014" else None)
    return whole(record), record


@pytest.fixture
def loads() -> Array:
    """Drag and lift, (2, n)."""
    rng = np.random.default_rng(7)
    return np.array([rng.normal(60.0, 20.0, 3000), rng.normal(150.0, 60.0, 3000)])


def still(n: int = 2000) -> Array:
    """A wind-off run: the bridges' zeros and a little noise."""
    return ZERO_V + 1e-4 * np.random.default_rng(n).standard_normal((2, n))


def test_loads_are_recovered_through_zeros(tmp_path: Path, loads: Array) -> None:
    """Volts with zeros of some hundred newtons come out as the planted loads, in sheet order."""
    quiet = {n: np.repeat(ZERO_V, 2000, axis=1) + 1e-12 for n in ("012", "016")}
    folder = write_bridges(tmp_path, quiet | {"014": bridge_readings(loads) + ZERO_V})
    samples, record = read(folder)

    assert [c.name for c in record.channels] == ["drag", "lift", "air"]
    np.testing.assert_allclose(samples[:2], loads, atol=1e-4)
    assert set(samples[2].tolist()) == {293.0, 294.0}


def test_a_wind_off_run_is_about_its_own_zero(tmp_path: Path, loads: Array) -> None:
    """Its first second is nought; 5 N of drag and 20 N of lift after it are a drift of just that.

    The interactions are those of small loads, not of the zero's some hundred newtons.
    """
    drift = np.array([[5.0], [20.0]]) * (np.arange(3000) >= 1500)
    folder = write_bridges(tmp_path, {"012": bridge_readings(drift) + ZERO_V, "014": still()})
    samples, record = read(folder, "012")

    np.testing.assert_allclose(samples[:2], drift, atol=1e-5)
    assert record.zero_reading().means["b2"] == pytest.approx(
        float(bridge_readings(drift)[1].mean() - 0.3)
    )
    assert record.provenance.steps[-1].settings["own_zero"] == "mean of the first 1 s"


def test_blocks_of_any_length_give_the_same(tmp_path: Path, loads: Array) -> None:
    """In blocks of 1 to 3000 samples, with and without wind, to the stated residual."""
    folder = write_bridges(tmp_path, {"012": still(), "014": bridge_readings(loads)})
    campaign = open_campaign(folder)
    logged = np.insert(bridge_readings(loads), 1, 293.0, axis=0)
    for number in ("012", "014"):
        results = []
        for length in (1, 7, 1000, 3000):
            run = campaign.run(number)
            assert run.balance is not None
            stream = BalanceStream(run, run.balance, RATE_HZ)
            blocks = [out for i in range(0, 3000, length) for out in
                      stream.push(logged[:, i : i + length])]  # fmt: skip
            results.append(np.concatenate([*blocks, *stream.finish()], axis=1))
        for other in results[1:]:
            np.testing.assert_allclose(other, results[0], rtol=0, atol=2e-8 * 500)


def test_a_short_wind_off_run_is_read_to_its_end(tmp_path: Path) -> None:
    """Half a second is less than the zero wants: all of it is used."""
    folder = write_bridges(tmp_path, {"012": still(500)})
    samples, _ = read(folder, "012")

    assert samples.shape == (3, 500)
    np.testing.assert_allclose(samples[:2].mean(axis=1), 0.0, atol=1e-3)


def test_readings_beyond_reach_end_the_run(tmp_path: Path, loads: Array) -> None:
    """One sample of 40 V: file, time, bridges, and what may be wrong."""
    readings = bridge_readings(loads)
    readings[:, 2345] = 40.0
    folder = write_bridges(tmp_path, {"012": still(), "014": readings})

    with pytest.raises(RecordingError) as caught:
        read(folder)

    text = str(caught.value)
    assert "014.csv, 2.345 s: the loads of balance.toml do not settle at b1 = 39.3" in text
    assert "b2 = 40.3 V; such readings may lie outside the calibrated range" in text


def found(folder: Path, code: str) -> list[Finding]:
    """Findings of run 014 of one code."""
    _, record = read(folder)
    return [finding for finding in record.findings if finding.code == code]


def test_samples_beyond_the_envelope_are_told(tmp_path: Path, loads: Array) -> None:
    """30 of 3000 samples of lift at 512 N, 500 N calibrated: a warning; 300: an error."""
    for count, severity in ((30, "warning"), (300, "error")):
        loads[1, 100 : 100 + count] = 512.0
        zeros = {n: np.zeros((2, 2000)) for n in ("012", "016")}
        folder = write_bridges(tmp_path / str(count), zeros | {"014": bridge_readings(loads)})
        (finding,) = found(folder, "load-envelope")

        assert (finding.severity, finding.channel) == (severity, "lift")
        assert finding.message.startswith(
            f"{count} samples ({'1.0' if count == 30 else '10'} %) lie outside the calibrated "
            "-500 to 500 N, by up to 12 N (2.4 % of full scale)"
        )


def test_interactions_are_noted(tmp_path: Path, loads: Array) -> None:
    """lift² reads 0.25 V at 500 N, as lift does: 11 % of drag's 2.2 V; drag |lift| 15 % of 2 V."""
    folder = write_bridges(tmp_path, {"014": bridge_readings(loads)})
    (note,) = found(folder, "balance-interactions")

    assert note.severity == "note"
    assert "balance.toml at full scale is drag × |lift| on b2: 15 % of its reading" in note.message
    _, record = read(folder, "012")
    assert not [f for f in record.findings if f.code == "balance-interactions"]


def test_bridges_keep_their_own_findings(tmp_path: Path, loads: Array) -> None:
    """Clipping is seen on the bridge whose full scale is stated, before the balance."""
    loads[1, 500] = 1260.0
    folder = write_bridges(
        tmp_path, {"014": bridge_readings(loads, balance_table())}, balance_table()
    )
    (clipped,) = found(folder, "clipped")

    assert clipped.channel == "b2"


def test_without_a_zero_the_terms_are_taken_about_the_sensors(tmp_path: Path, loads: Array) -> None:
    """A note becomes a warning where the balance has terms that are not linear."""
    for terms, severity in ((STRONG["term"], "warning"), ([], "note")):
        folder = write_bridges(
            tmp_path / severity, {"014": bridge_readings(loads)}, STRONG | {"term": terms}
        )
        record = open_campaign(folder).run("014").open()
        whole(record)

        (finding,) = [f for f in record.findings if f.code == "zero-none"]
        assert finding.severity == severity


def test_the_step_says_what_was_done(tmp_path: Path, loads: Array) -> None:
    """Form, file and its bytes on disk, residual and the most iterations."""
    folder = write_bridges(tmp_path, {"014": bridge_readings(loads)})
    _, record = read(folder)
    steps = record.provenance.steps

    assert [s.name for s in steps[-2:]] == ["remove wind-off zero", "apply balance"]
    settings = dict(steps[-1].settings)
    assert 3 < settings.pop("most_iterations") < 30
    assert settings == {
        "file": "balance.toml",
        "sha256": hashlib.sha256((folder / "balance.toml").read_bytes()).hexdigest(),
        "form": "iterative",
        "bridges": ("b1", "b2"),
        "loads": ("drag", "lift"),
        "residual": 1e-8,
        "own_zero": None,
    }
    assert set(steps[1].settings["channels"]) == {"b1", "air", "b2"}
