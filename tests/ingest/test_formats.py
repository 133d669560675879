"""Every format gives the same record: counts in, the same SI samples out, by the sheet alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import Record, open_campaign
from tests.ingest.campaigns import CAMPAIGN, run_sheet, write_campaign
from tests.ingest.recording_files import STATE_THEIR_RATE, WRITERS, Write, wav

RATE_HZ = 1000
N = 70_007  # more than one block
RNG = np.random.default_rng(20261103)
COUNTS = {
    name: RNG.integers(-32_768, 32_767, N, endpoint=True, dtype=np.int16)
    for name in ("bal_fz", "bal_fx", "p07")
}
CHANNELS: tuple[dict[str, Any], ...] = (
    {"name": "lift", "measures": "lift", "gain": "0.05 N/count", "offset": "12 count"},
    {"name": "drag", "measures": "drag", "gain": "0.02 N/count", "offset": "-3.5 N"},
    {"name": "tailgate", "measures": "pressure", "gain": "-0.25 Pa/count"},
)
# By hand: gain times (count - offset in counts), or gain times count plus offset in newtons.
EXPECTED = np.array(
    [
        0.05 * (COUNTS["bal_fz"].astype(float) - 12),
        0.02 * COUNTS["bal_fx"].astype(float) - 3.5,
        -0.25 * COUNTS["p07"].astype(float),
    ]
)


def record_of(folder: Path, write: Write, sampling: dict[str, Any]) -> Record:
    """The record of one recording, whose suffix says nothing about its format."""
    sheet = run_sheet("014", recording="014.rec")
    columns = range(3) if write is wav else COUNTS
    sheet["channel"] = [
        {"column": column, "unit": "count", "full_scale": "40000 count", **channel}
        for column, channel in zip(columns, CHANNELS, strict=True)
    ]
    sheet["sampling"] = sampling
    write_campaign(folder, {"014": sheet}, CAMPAIGN)
    write(folder / "runs" / "014.rec", COUNTS, RATE_HZ)
    return open_campaign(folder).run("014").open()


def samples(record: Record) -> NDArray[np.float64]:
    """All of a record."""
    return np.concatenate(list(record.blocks()), axis=1)


@pytest.mark.parametrize("write", WRITERS, ids=lambda write: write.__name__)
def test_every_format_gives_the_same_samples(tmp_path: Path, write: Write) -> None:
    """Integer counts with scale and offset, recognised by content."""
    record = record_of(tmp_path, write, {"rate": "1 kHz"})

    found = samples(record)

    np.testing.assert_allclose(found, EXPECTED, rtol=1e-13, atol=1e-10)
    assert record.n_samples == N
    assert not [finding for finding in record.findings if finding.severity == "error"]


@pytest.mark.parametrize("write", STATE_THEIR_RATE, ids=lambda write: write.__name__)
def test_the_rate_may_be_the_files_own(tmp_path: Path, write: Write) -> None:
    """A part of the record is cut by it."""
    record = record_of(tmp_path, write, {"rate": "file", "from": "1 s", "to": "1.5 s"})

    found = samples(record)

    assert record.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-12)
    np.testing.assert_allclose(found, EXPECTED[:, 1000:1500], rtol=1e-13, atol=1e-10)


@pytest.mark.parametrize("write", [w for w in STATE_THEIR_RATE if w.__name__ != "mdf4"])
def test_a_stated_rate_that_is_not_the_files_is_told(tmp_path: Path, write: Write) -> None:
    """The sheet's is used."""
    record = record_of(tmp_path, write, {"rate": "500 Hz"})
    samples(record)

    (found,) = [finding for finding in record.findings if finding.code == "rate-disagrees"]

    assert found.message == (
        "the recording itself states 1000 Hz, the rate used is 500 Hz (100 % apart)"
    )
