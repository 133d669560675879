"""Hand-made campaigns: a few short runs with planted signals, to be broken one place at a time."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis, RunRead, analyse
from buffet.cli import main
from buffet.one_pass import AnalysisSettings
from buffet.service.jobs.run_store import RunStore
from buffet.workers.choice import HERE, Workers
from ingest import Campaign, file_digest
from tests.buffet.schema_check import require_described
from tests.ingest.campaigns import toml

Array = NDArray[np.float64]

RATE_HZ = 250.0
WIND_M_S = 40.0
SCALE = 0.30
FEW_CARS = 6
CAMPAIGN: dict[str, Any] = {
    "format": 1,
    "campaign": {"title": "Hatchback tailgates", "baseline": "bare"},
    "model": {
        "scale": SCALE,
        "frontal_area": "0.194 m^2",
        "wheelbase": "0.775 m",
        "strouhal_length": "0.435 m",
    },
}


@dataclass(frozen=True)
class PlantedRun:
    """One run: samples by what they measure, coefficients unless another unit is stated."""

    number: str
    samples: Mapping[str, Array]
    configuration: str | None = "bare"  # None: a wind-off run
    units: Mapping[str, str] = field(default_factory=dict)
    zero: str | None = None
    channel: Mapping[str, Any] = field(default_factory=dict)  # further keys of every channel
    yaw: str | None = None
    air: Mapping[str, Any] = field(default_factory=lambda: {"speed": f"{WIND_M_S:g} m/s"})

    def sheet(self) -> dict[str, Any]:
        """As a run sheet's tables."""
        run: dict[str, Any] = {"number": self.number, "recording": f"{self.number}.csv"}
        sheet: dict[str, Any] = {"format": 1, "run": run, "sampling": {"rate": f"{RATE_HZ:g} Hz"}}
        sheet["channel"] = [
            {
                "column": word,
                "name": word,
                "measures": word,
                "unit": self.units.get(word, "1"),
                **self.channel,
            }
            for word in self.samples
        ]
        if self.configuration is None:
            return sheet | {"run": run | {"kind": "wind-off"}}
        run |= {"kind": "wind-on", "configuration": self.configuration}
        if self.yaw is not None:
            run["yaw"] = self.yaw
        if self.zero is not None:
            run["zero_before"] = self.zero
        return sheet | {"air": dict(self.air)} if self.air else sheet

    def recording(self) -> str:
        """As delimited text."""
        return delimited(self.samples)


def delimited(samples: Mapping[str, Array]) -> str:
    """Signals as columns of text; all at once, since a number at a time takes twice as long."""
    rows = np.column_stack(list(samples.values()))
    line = ",".join(["%.8g"] * rows.shape[1]) + "\n"
    return ",".join(samples) + "\n" + line * len(rows) % tuple(rows.ravel().tolist())


def write_runs(
    folder: Path, runs: Sequence[PlantedRun], campaign: Mapping[str, Any] = CAMPAIGN
) -> Path:
    """Write the campaign's sheets and recordings."""
    (folder / "runs").mkdir(parents=True)
    (folder / "campaign.toml").write_text(toml(dict(campaign)), encoding="utf-8")
    for run in runs:
        write_sheet(folder, run.number, run.sheet())
        (folder / "runs" / f"{run.number}.csv").write_text(run.recording(), encoding="utf-8")
    return folder


def write_sheet(folder: Path, name: str, sheet: dict[str, Any]) -> None:
    """Write one run sheet, whatever it holds."""
    (folder / "runs" / f"{name}.toml").write_text(toml(sheet), encoding="utf-8")


def changed(table: Mapping[str, Any], place: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    """A copy with one entry changed; None removes it."""
    result = copy.deepcopy(dict(table))
    inner: Any = result
    for part in place[:-1]:
        inner = inner[part]
    if value is None:
        del inner[place[-1]]
    else:
        inner[place[-1]] = value
    return result


def band_noise(
    seed: int, rms: float, seconds: float, low_hz: float = 0.0, high_hz: float = RATE_HZ / 2
) -> Array:
    """Gaussian noise, flat between two frequencies, of this RMS in expectation."""
    n = round(seconds * RATE_HZ)
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    inside = (frequency_hz > low_hz) & (frequency_hz < high_hz)
    parts = np.random.default_rng(seed).normal(size=(2, len(inside)))
    spectrum = np.where(inside, parts[0] + 1j * parts[1], 0)
    # Each line of a real signal holds 2 |X|² / n², in expectation 4 / n².
    return np.asarray(rms * np.fft.irfft(spectrum, n) * n / np.sqrt(4 * inside.sum()))


def lift_run(
    number: str, rms: float, configuration: str = "bare", seconds: float = 60.0, drag: float = 0.32
) -> PlantedRun:
    """A run of a mean lift and drag with white fluctuations of the lift, the pitch in step."""
    seed = int(number)
    lift = band_noise(seed, rms, seconds)
    samples = {
        "drag": drag + band_noise(seed + 1000, 0.2 * rms, seconds),
        "lift": 0.10 + lift,
        "pitch moment": -0.02 - 0.4 * lift,
    }
    return PlantedRun(number, samples, configuration)


def wind_off(number: str, rms: float = 0.0005, seconds: float = 20.0) -> PlantedRun:
    """Noise without wind."""
    words = ("drag", "lift", "pitch moment")
    samples = {word: band_noise(500 + i, rms, seconds) for i, word in enumerate(words)}
    return PlantedRun(number, samples, None)


def two_configurations(folder: Path, seconds: float = 60.0, **more: Any) -> Path:
    """A wind-off run, a bare car that buffets and a spoiler that halves it and costs drag."""
    bare = replace(lift_run("1", 0.03, "bare", seconds), zero="0")
    spoiler = lift_run("2", 0.015, "spoiler", seconds, 0.33)
    return write_runs(folder, [wind_off("0"), bare, spoiler], **more)


_LAST_READ: dict[str, RunRead] = {}


def read_here(options: dict[str, Any]) -> dict[str, Any]:
    """Unless a test asks for workers: their processes cost more than its few runs."""
    return options | {"workers": HERE} if options.get("workers") == Workers() else options


def _analysed(
    campaign: Campaign,
    numbers: Sequence[str] | None = None,
    settings: AnalysisSettings | None = None,
    progress: Callable[[str], None] = lambda text: None,
    **options: Any,
) -> CampaignAnalysis:
    """As `analyse`, with what the last command read kept as a service's worker keeps it."""
    options = read_here(options)
    files = {
        path.relative_to(campaign.folder).as_posix(): file_digest(path)
        for run in campaign.runs
        for path in (run.sheet, *run.recordings)
        if path.is_relative_to(campaign.folder)
    }
    if numbers is not None or any(name not in files for r in campaign.runs for name in r.sources):
        return analyse(campaign, numbers, settings, progress, **options)
    store = RunStore(campaign, files, settings or AnalysisSettings(), _LAST_READ)
    found = analyse(campaign, None, settings, progress, store, **options)
    _LAST_READ.clear()
    _LAST_READ.update(store.used)
    return found


def run_buffet(*arguments: object) -> Result:
    """The command line as a user calls it; stdout and stderr apart.

    `spectra` shows the spectra alone unless a test names its parts, which take their time. Few
    cars are drawn from a car's spread, whose own tests call `rate`, as the demo's tests do. What
    is printed as JSON is held against its schema. Runs that the last command read and that are as
    they were are not read again.
    """
    words = [str(argument) for argument in arguments]
    if words[:1] == ["spectra"] and "--what" not in words:
        words += ["--what", "spectrum"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("buffet.rating.car_spread.DRAWS", FEW_CARS)
        patch.setattr("buffet.analysis.analyse", _analysed)
        done = CliRunner().invoke(main, words, prog_name="buffet")
    if "--json" in words and done.stdout:
        require_described(done.stdout)
    return done
