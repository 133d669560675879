"""Campaigns of any length, number of channels and of runs, and commands measured on them."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import signal

FORCES = ("lift", "pitch moment", "drag", "side force")
CONFIGURATIONS = ("bare tailgate", "spoiler", "wing", "fence")
SPEED_M_S, STROUHAL_LENGTH_M, STROUHAL, QUALITY = 40.0, 0.435, 0.2, 6.0
BLOCK_SAMPLES = 1 << 16
HEAD = f"""format = 1
[campaign]
title = "growth"
baseline = "bare tailgate"
[model]
scale = 0.3
frontal_area = "0.194 m^2"
wheelbase = "0.775 m"
strouhal_length = "{STROUHAL_LENGTH_M} m"
strouhal_length_is = "body height"
"""


@dataclass(frozen=True)
class Size:
    """Of a campaign whose runs are all alike."""

    channels: int = 32
    duration_s: float = 600.0
    rate_hz: float = 1000.0
    runs: int = 1

    @property
    def bytes(self) -> float:
        """Of its recordings, two a sample."""
        return 2 * self.channels * self.duration_s * self.rate_hz * self.runs


def write_campaign(folder: Path, size: Size) -> Path:
    """Shedding in noise on forces and taps, as counts in NumPy files."""
    (folder / "runs").mkdir(parents=True)
    (folder / "campaign.toml").write_text(HEAD, encoding="utf-8")
    for run in range(size.runs):
        _write_recording(folder / f"{run:04d}.npy", size, seed=run)
        (folder / "runs" / f"{run:04d}.toml").write_text(_sheet(run, size), encoding="utf-8")
    return folder


def _write_recording(path: Path, size: Size, seed: int) -> None:
    """Block by block: each channel's own noise, and shedding in all of them."""
    n = round(size.duration_s * size.rate_hz)
    rng = np.random.default_rng(seed)
    natural_hz = STROUHAL * SPEED_M_S / STROUHAL_LENGTH_M
    b, a = signal.iirpeak(natural_hz, QUALITY, fs=size.rate_hz)
    state = np.zeros(2)
    file = np.lib.format.open_memmap(path, "w+", np.int16, (n, size.channels))
    for start in range(0, n, BLOCK_SAMPLES):
        count = min(BLOCK_SAMPLES, n - start)
        shed, state = signal.lfilter(b, a, rng.standard_normal(count), zi=state)
        noise = rng.standard_normal((count, size.channels), np.float32)
        noise += 8 * shed[:, None].astype(np.float32)
        file[start : start + count] = noise * 300
    file.flush()


def _sheet(run: int, size: Size) -> str:
    head = (
        f'format = 1\n[run]\nnumber = "{run:04d}"\nkind = "wind-on"\n'
        f'configuration = "{CONFIGURATIONS[run % len(CONFIGURATIONS)]}"\n'
        f'recording = "../{run:04d}.npy"\n[air]\nspeed = "{SPEED_M_S} m/s"\n'
        f'[sampling]\nrate = "{size.rate_hz} Hz"\nantialias_cutoff = "{0.4 * size.rate_hz} Hz"\n'
    )
    return head + "".join(_channel(index) for index in range(size.channels))


def _channel(index: int) -> str:
    text = f"[[channel]]\ncolumn = {index}\n"
    if index < len(FORCES):
        word = FORCES[index]
        gain = "10 N m/V" if "moment" in word else "10 N/V"
        return f'{text}name = "{word}"\nmeasures = "{word}"\nunit = "V"\ngain = "{gain}"\n'
    place = f'at = ["{0.002 * index:.3f} m", "0 m", "0.4 m"]\n'
    return f'{text}name = "tap {index}"\nmeasures = "pressure"\nunit = "Pa"\n{place}'


def measured(*arguments: str) -> tuple[float, float]:
    """Seconds and peak memory, in MB, of the command line with these arguments.

    Raises
    ------
    RuntimeError
        The command failed.
    """
    start = time.perf_counter()
    command = [sys.executable, "-m", "buffet", *arguments]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert process.stderr is not None
    told = process.stderr.read().decode()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{' '.join(command)}: {told}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024
