"""A simulated campaign with a row of taps along the roof and a grid of taps on the rear.

Roof: pink-like noise that travels rearward at 0.7 of the wind speed and decays on its way. Rear:
two patterns, left against right that sheds at 11 Hz and up against down that sheds at 18 Hz, over
noise that no two taps share.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.buffet.campaigns import CAMPAIGN, write_sheet
from tests.ingest.campaigns import toml
from tests.thorough.records import Resonance, from_density

Array = NDArray[np.float64]

RATE_HZ = 500.0
WIND_M_S = 40.0
TRAVEL_M_S = 0.7 * WIND_M_S
DECAY = 0.25  # coherence of pressures falls by exp(-DECAY ω d / U_c)
ROOF_M = np.array([-0.20, -0.12, -0.05, 0.05, 0.13, 0.22])
REAR_Y_M = np.array([-0.18, 0.0, 0.18])
REAR_Z_M = np.array([0.16, 0.26, 0.36])
LATERAL_HZ, VERTICAL_HZ = 11.0, 18.0
LATERAL_RMS, VERTICAL_RMS = 0.020, 0.014  # at the taps where the pattern is largest
OWN_RMS = 0.004  # of each rear tap alone
ROOF_RMS = 0.03


def travelling(
    places_m: Array, speed_m_s: float, decay: float, n: int, rng: np.random.Generator
) -> Array:
    """Noise of unit variance along a row, ``(n_taps, n)``; exponential loss of coherence.

    Each tap is the one before, delayed, plus what is new: a Markov chain along the row, the
    coherence spectrum of Corcos 1963 (J. Acoust. Soc. Am. 35, 192-199). A negative speed travels
    from the last tap to the first.
    """
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    new = rng.standard_normal((2, len(places_m), len(frequency_hz)))
    chain = new[0] + 1j * new[1]
    for k, step in enumerate(np.diff(places_m), 1):
        kept = np.exp(-decay * 2 * np.pi * frequency_hz * step / abs(speed_m_s))
        chain[k] = kept * chain[k - 1] + np.sqrt(1 - kept**2) * chain[k]
    chain *= np.exp(-2j * np.pi * frequency_hz * places_m[:, None] / speed_m_s)
    chain /= np.hypot(1.0, frequency_hz / 40.0)
    samples = np.fft.irfft(chain, n, axis=1)
    return np.asarray(samples / samples.std())


def rear_places() -> Array:
    """Of the grid on the rear, ``(9, 3)``."""
    return np.array([(0.60, y, z) for z in REAR_Z_M for y in REAR_Y_M])


def rear_patterns() -> tuple[Array, Array]:
    """Left against right, up against down: orthogonal over the grid, largest entry 1."""
    at = rear_places()
    lateral = at[:, 1] / REAR_Y_M[-1]
    vertical = (at[:, 2] - REAR_Z_M[1]) / (REAR_Z_M[2] - REAR_Z_M[1])
    return lateral, vertical


def rear_pressures(seconds: float, rng: np.random.Generator) -> Array:
    """Coefficients of the rear taps about their means, ``(9, n)``."""
    sheds = []
    for hz, rms in ((LATERAL_HZ, LATERAL_RMS), (VERTICAL_HZ, VERTICAL_RMS)):
        peak = Resonance(hz, hz / 6, rms**2)
        sheds.append(from_density(peak.density, 1, seconds, rng, RATE_HZ)[0])
    lateral, vertical = rear_patterns()
    both = np.outer(lateral, sheds[0]) + np.outer(vertical, sheds[1])
    return np.asarray(both + OWN_RMS * rng.standard_normal(both.shape))


def write_tap_campaign(folder: Path, seconds: float = 60.0, seed: int = 5) -> Path:
    """One wind-on and one wind-off run, pressures logged as coefficients."""
    (folder / "runs").mkdir(parents=True)
    (folder / "campaign.toml").write_text(toml(dict(CAMPAIGN)), encoding="utf-8")
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    roof = -0.3 + 0.4 * ROOF_M[:, None] + ROOF_RMS * travelling(ROOF_M, TRAVEL_M_S, DECAY, n, rng)
    rear = -0.18 - 0.1 * rear_patterns()[1][:, None] + rear_pressures(seconds, rng)
    samples = np.concatenate([roof, rear[:, :n]])
    channels = [_channel(f"roof {i + 1}", (x, 0.0, 0.43), "roof") for i, x in enumerate(ROOF_M)]
    channels += [_channel(f"rear {i + 1}", tuple(at), None) for i, at in enumerate(rear_places())]
    noise = 0.001 * rng.standard_normal((len(samples), round(20 * RATE_HZ)))
    _write(folder, "1", {"kind": "wind-off"}, channels, noise)
    run = {"kind": "wind-on", "configuration": "bare", "zero_before": "1"}
    _write(folder, "2", run, channels, samples)
    return folder


def _channel(name: str, at_m: tuple[float, ...], row: str | None) -> dict[str, Any]:
    place = [f"{value:g} m" for value in at_m]
    channel = {"column": name, "name": name, "measures": "pressure", "unit": "1", "at": place}
    return channel if row is None else channel | {"row": row}


def _write(
    folder: Path, number: str, run: dict[str, Any], channels: list[dict[str, Any]], samples: Array
) -> None:
    np.savez(
        folder / "runs" / f"{number}.npz",
        **{channel["column"]: row for channel, row in zip(channels, samples, strict=True)},
    )
    sheet: dict[str, Any] = {"format": 1, "sampling": {"rate": f"{RATE_HZ:g} Hz"}}
    sheet["run"] = {"number": number, "recording": f"{number}.npz", **run}
    sheet["channel"] = channels
    if run["kind"] == "wind-on":
        sheet["air"] = {"speed": f"{WIND_M_S:g} m/s"}
    write_sheet(folder, number, sheet)
