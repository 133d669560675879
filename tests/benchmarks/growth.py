"""Time and peak memory of commands as campaigns grow, and a plot of them.

Record length, channels and runs, each by ten or eight at a time, and the channel pairs apart.
`share` is that of the full lengths and numbers of runs.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.campaigns import Size, write_campaign
from tests.benchmarks.engine import seconds
from tests.benchmarks.figure import Figure
from tests.benchmarks.peak import COMMAND, peak_mb

MINUTE_S = 60.0
YEAR_RUNS, YEAR_BYTES = 10_000, 20e12  # of a tunnel
NIGHT_H, CORES_A_MACHINE = 12.0, 16
LINEAR = 1.1  # an exponent that counts as linear: figures scatter by some per cent
PLOT = Path(tempfile.gettempdir()) / "growth.png"


@dataclass(frozen=True)
class Series:
    """One curve: a size that grows, and what it took."""

    what: str
    axis: str
    command: tuple[str, ...]
    sizes: tuple[float, ...]
    seconds: tuple[float, ...]
    megabytes: tuple[float, ...]

    @property
    def exponents(self) -> tuple[float, float]:
        """Of time and memory, over the last step."""
        (a, b) = self.sizes[-2:]
        time, memory = (np.log(v[-1] / v[-2]) / np.log(b / a) for v in self.measured)
        return float(time), float(memory)

    @property
    def measured(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Time and memory."""
        return self.seconds, self.megabytes


# What one measures, and its arguments to the command line after the campaign's folder.
SPECTRA = ("spectra", "--what", "spectrum")
RATING = ("rate", "--speed", "130 km/h")
PAIRS = ("spectra", "--what", "coherence")


def growth(share: float = 1.0) -> list[Series]:
    """All curves."""
    ten_s, short_s = 10 * MINUTE_S * share, 20.0
    lengths = [(m, Size(duration_s=m * MINUTE_S * share)) for m in (1.0, 10.0, 100.0)]
    channels = [(float(c), Size(channels=c, duration_s=ten_s)) for c in (8, 64, 256)]
    pairs = [(float(c), Size(channels=c, duration_s=ten_s / 10)) for c in (8, 64, 256)]
    counts = [max(1, round(n * share)) for n in (10, 100, 1000)]
    runs = [(float(n), Size(channels=8, duration_s=short_s, runs=n)) for n in counts]
    return [
        _series("spectra", "minutes of 32 channels", lengths, SPECTRA),
        _series("spectra", "channels, 10 minutes", channels, SPECTRA),
        _series("spectra with all pairs", "channels, 1 minute", pairs, PAIRS),
        _series("spectra", "runs of 20 s, 8 channels", runs, SPECTRA),
        _series("rate", "runs of 20 s, 8 channels", runs, RATING),
    ]


def _series(
    what: str, axis: str, sizes: list[tuple[float, Size]], command: tuple[str, ...]
) -> Series:
    found = []
    for value, size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            campaign = write_campaign(Path(folder) / "campaign", size)
            found.append(_measured(command[0], str(campaign), *command[1:]))
        print(f"{what}, {value:g} {axis}: {found[-1][0]:.2f} s", file=sys.stderr, flush=True)
    taken_s, peaks_mb = zip(*found, strict=True)
    return Series(what, axis, command, tuple(value for value, _ in sizes), taken_s, peaks_mb)


def _measured(*arguments: str) -> tuple[float, float]:
    """Seconds and peak memory, in MB, of the command line with these arguments."""
    peaks: list[float] = []
    taken_s = seconds(lambda: peaks.append(peak_mb(COMMAND, *arguments)))
    return taken_s, peaks[0]


def year(series: list[Series], share: float) -> Figure:
    """Machines on which a year of a tunnel is done overnight, from what a run and a byte cost.

    And what all its runs' results would take at once, of which one command keeps all.
    """
    length, runs = series[0], series[3]
    minutes = np.diff(length.sizes[-2:])[0] * share
    a_byte = np.diff(length.seconds[-2:])[0] / Size(duration_s=minutes * MINUTE_S).bytes
    a_run = np.diff(runs.seconds[-2:])[0] / np.diff(runs.sizes[-2:])[0]
    kept_mb = np.diff(runs.megabytes[-2:])[0] / np.diff(runs.sizes[-2:])[0]
    hours = (YEAR_RUNS * a_run + YEAR_BYTES * a_byte) / 3600
    # commands have two cores, of which a crew of single ones makes as much or more
    machines = hours / (NIGHT_H * CORES_A_MACHINE / 2)
    told = (
        f"{hours:.0f} h on two cores for {YEAR_RUNS:,} runs and {YEAR_BYTES / 1e12:g} TB, at "
        f"{a_run:.3f} s a run of 20 s and {1e9 * a_byte:.2f} s a GB of 16-bit samples; results "
        f"keep {kept_mb:.2f} MB a run, {YEAR_RUNS * kept_mb / 1e3:.0f} GB for all at once"
    )
    what = f"a year of a tunnel in a night of {NIGHT_H:g} h: machines of {CORES_A_MACHINE} cores"
    return Figure(what, float(machines), "", beside=told)


def draw(series: list[Series], path: Path) -> None:
    """Time and memory of every curve, with what linear growth would be."""
    from matplotlib import figure as plots

    figure = plots.Figure(figsize=(4 * len(series), 7), layout="constrained")
    axes = figure.subplots(2, len(series))
    for column, one in enumerate(series):
        for row, (values, unit) in enumerate(zip(one.measured, ("s", "MB"), strict=True)):
            own = axes[row][column]
            own.loglog(one.sizes, values, "o-", label="measured")
            linear = np.array(one.sizes) / one.sizes[-1] * values[-1]
            own.loglog(one.sizes, linear, "--", color="0.6", label="linear")
            own.set_xlabel(one.axis)
            own.set_ylabel(f"{('time', 'peak memory')[row]} ({unit})")
            own.set_title(f"{one.what}: exponent {one.exponents[row]:.2f}")
            own.legend()
    figure.savefig(path, dpi=80)


def growth_figures(share: float = 1.0) -> Iterator[Figure]:
    """Exponents of time and memory over each size, all but the pairs' at most one; and a plot."""
    series = growth(share)
    for one in series:
        steps = zip(one.sizes, *one.measured, strict=True)
        points = "; ".join(f"{size:g}: {s:.2f} s, {mb:.0f} MB" for size, s, mb in steps)
        goal = None if one.command == PAIRS else LINEAR
        for what, exponent in zip(("time", "memory"), one.exponents, strict=True):
            told = f"growth of {what} of {one.what} over {one.axis}"
            yield Figure(told, exponent, "", goal, "at most", points if what == "time" else "")
    yield year(series, share)
    draw(series, PLOT)
    yield Figure(f"growth: all of it drawn in {PLOT}", len(series), "curves")
