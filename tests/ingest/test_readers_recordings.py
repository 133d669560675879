"""Real recordings, where they are: what their publishers and papers say of them is read from them.

The folder is named by the environment variable BUFFET_RECORDINGS; the files are not shipped.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.channel import Channel
from ingest.checks import RecordChecks
from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions, Recording

FOLDER = os.environ.get("BUFFET_RECORDINGS", "")
pytestmark = pytest.mark.skipif(not FOLDER, reason="BUFFET_RECORDINGS names no folder")

DETECTED = FileOptions()
SONIC = "sonic_20hz/TOA5_Sonic_2026-03-26_00-03-23.dat.gz"
LOAD_CELLS = "loadcell_100hz/ReferenceStateForceAt100Hz.csv.zip"


def recording(name: str, clock: ClockOptions, file: FileOptions = DETECTED) -> Recording:
    return open_recording(Path(FOLDER) / name, file, clock)


def samples(opened: Recording, wanted: list[str | int]) -> NDArray[np.float64]:
    return np.concatenate([block.samples for block in opened.blocks(wanted)], axis=1)


@pytest.mark.parametrize(("missing", "rms"), [((), 6.5), (("999.999",), 0.89)])
def test_sonic_anemometer(missing: tuple[str, ...], rms: float) -> None:
    """One hour at 20 Hz; vertical speed 6.5 m/s RMS with the sentinels, 0.89 without."""
    sonic = recording(SONIC, ClockOptions(time_column="TIMESTAMP"), FileOptions(missing=missing))
    vertical = samples(sonic, ["w_1"])

    assert sonic.rate_hz == 20.0
    assert vertical.shape == (1, 72_000)
    assert sonic.units is not None
    assert sonic.units[sonic.columns.index("w_1")] == "m/s"
    assert np.nanstd(vertical) == pytest.approx(rms, abs=0.05 if rms > 1.0 else 0.005)


def test_cylinder_force_coefficients() -> None:
    """Names in the last comment line; lift RMS 0.63 ± 2 %, mean drag 3.17 from 5 s on."""
    cylinder = recording(
        "cylinder2d_dfg/re100_coef_uc.dat.gz", ClockOptions(time_column="Time", from_s=4.9995)
    )
    drag, lift = samples(cylinder, ["Cd", "Cl"])

    assert cylinder.rate_hz == 2000.0
    assert drag.mean() == pytest.approx(3.17, abs=0.005)
    assert lift.std() == pytest.approx(0.63, rel=0.02)


@pytest.mark.parametrize(
    ("name", "rate_hz", "rms"),
    [("re100_coef_cl.dat.gz", 2000.0, 0.20), ("re100_coef_ol.dat.gz", 1000.0, 0.21)],
)
def test_uneven_start_does_not_change_the_rate(name: str, rate_hz: float, rms: float) -> None:
    """With control lift falls to about 0.20 and 0.21."""
    cylinder = recording(f"cylinder2d_dfg/{name}", ClockOptions(time_column="Time", from_s=4.9995))
    (lift,) = samples(cylinder, ["Cl"])

    assert cylinder.rate_hz == rate_hz
    assert lift.std() == pytest.approx(rms, abs=0.005)


def test_pressures_under_a_header_that_names_one_of_them() -> None:
    """581 rows at 100 Hz, whose last 54 columns are the taps."""
    taps = recording("cylinder2d_dfg/re100_closedloop_54taps.csv.gz", ClockOptions(time_column="t"))

    assert samples(taps, list(range(8, 62))).shape == (54, 581)
    assert len(taps.columns) == 62
    assert taps.rate_hz == 100.0


def test_load_cells() -> None:
    """100 Hz for 600 s; stamps jitter by 1 ms and channel 2 changes every 100 samples only."""
    cells = recording(LOAD_CELLS, ClockOptions(time_column="Time (-)"))
    channels = [Channel(f"cell {n}", n, "lift", "N", 1e3) for n in (1, 2)]
    checks = RecordChecks(channels, [cells.rate_hz] * len(channels))
    for block in cells.blocks([1, 2]):
        checks.feed(block.samples)

    findings = {f.code: f for f in checks.findings("1", cells.clock)}

    assert cells.rate_hz == 100.0
    assert cells.clock.n == 60_000
    assert set(findings) == {"held-values", "clock-jitter"}
    assert findings["held-values"].channel == "cell 2"
    assert "only every ~100 samples: really about 1 Hz" in findings["held-values"].message
    assert "from 9 to 11 ms" in findings["clock-jitter"].message


def test_sea_surface_temperature() -> None:
    """One column without a header; its printed variance is 0.53817 (Torrence & Compo 1998)."""
    nino3 = samples(recording("nino3/sst_nino3.dat", ClockOptions(rate_hz=4.0)), [0])

    assert nino3.shape == (1, 504)
    # the printed value divides by n, as their programs do
    assert float(np.mean((nino3 - nino3.mean()) ** 2)) == pytest.approx(0.53817, abs=5e-6)


def test_sunspots() -> None:
    """A year a row from 1700 to 2008, quoted names."""
    spots = recording("sunspots/sunspots.csv", ClockOptions(time_column="YEAR"))

    assert samples(spots, ["SUNACTIVITY"]).shape == (1, 309)


@pytest.mark.parametrize("file", [DETECTED, FileOptions(orientation="rows")])
def test_two_series_in_two_rows(file: FileOptions) -> None:
    """300 samples each, one series a row, found or stated."""
    series = recording("psd_reference/tseries12.txt", ClockOptions(rate_hz=1.0), file)

    first = samples(series, [0, 1])[:, 0]

    np.testing.assert_array_equal(first, [8.9429666, 8.8313817])
