"""Planted peaks over wind speeds: those that scale, those that stay, and those that chance made."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from math import log

import numpy as np
import pytest

from buffet.spectral.tracks import (
    FIXED,
    SCALES,
    UNDECIDED,
    ClassName,
    Sighting,
    Spectrogram,
    Verdict,
    classify,
)

BAND_HZ = (1.0, 200.0)
LENGTH_M = 0.435
CHANCE = "chance"
Planted = tuple[str, float, bool, float]  # class, frequency at 40 m/s, narrow, relative error


def spectrogram(
    speed_m_s: float | None, *frequencies_hz: float, narrow: bool = False, error: float = 0.01
) -> Spectrogram:
    """Peaks of a run as found."""
    seen = tuple(Sighting(log(f), error**2, narrow) for f in frequencies_hz)
    return Spectrogram(speed_m_s, *BAND_HZ, seen)


def first(*runs: Spectrogram) -> Verdict:
    """Verdict on the first run's first peak."""
    return classify(runs)[0][0]


def planted(rng: np.random.Generator) -> list[Planted]:
    """A wake, a rig's resonance, the mains and a fan, anywhere in the band."""
    wake = 40.0 * float(rng.uniform(0.1, 0.4)) / LENGTH_M
    resonance = float(np.exp(rng.uniform(log(8), log(80))))
    return [
        (SCALES, wake, False, float(rng.uniform(0.01, 0.02))),
        (FIXED, resonance, False, float(rng.uniform(0.01, 0.02))),
        (FIXED, 50.0, True, 0.0005),
        (SCALES, 40.0 * float(rng.uniform(0.3, 2.0)), True, 0.0005),
    ]


def measured(
    sources: Sequence[Planted], speed_m_s: float, rng: np.random.Generator, seen: float
) -> tuple[Spectrogram, list[str]]:
    """One run: each source in a share of the runs, and peaks of chance; with the true classes."""
    sightings, truth = [], []
    for name, at_40_hz, narrow, error in sources:
        scale = speed_m_s / 40.0 if name == SCALES else 1.0
        at = log(at_40_hz * scale) + error * rng.standard_normal()
        if rng.random() < seen and log(BAND_HZ[0]) < at < log(BAND_HZ[1]):
            sightings.append(Sighting(at, error**2, narrow))
            truth.append(name)
    for _ in range(rng.poisson(1.0)):
        at = float(rng.uniform(log(BAND_HZ[0]), log(BAND_HZ[1])))
        sightings.append(
            Sighting(at, float(rng.uniform(0.005, 0.05)) ** 2, bool(rng.random() < 0.4))
        )
        truth.append(CHANCE)
    return Spectrogram(speed_m_s, *BAND_HZ, tuple(sightings)), truth


def shares(speeds_m_s: Sequence[float], seen: float, campaigns: int = 150) -> dict[str, float]:
    """Share of right and wrong classes of what was planted, and of classes given to chance."""
    rng, counts = np.random.default_rng(1976), Counter[str]()
    for _ in range(campaigns):
        sources = planted(rng)
        made = [measured(sources, speed, rng, seen) for speed in speeds_m_s]
        for (_, truth), verdicts in zip(made, classify([run for run, _ in made]), strict=True):
            for true, verdict in zip(truth, verdicts, strict=True):
                known = "chance" if true == CHANCE else "real"
                right = "right" if verdict.name == true else "wrong"
                counts[f"{known} {right if verdict.name != UNDECIDED else UNDECIDED}"] += 1
    real = sum(n for key, n in counts.items() if key.startswith("real"))
    chance = sum(n for key, n in counts.items() if key.startswith("chance"))
    return {
        "right": counts["real right"] / real,
        "wrong": counts["real wrong"] / real,
        "chance": counts["chance wrong"] / chance,
    }


def test_an_ordinary_sweep_is_told_apart() -> None:
    """Three speeds twice, errors of 1 to 2 %, one peak in ten missed: 2,100 peaks planted.

    Wrong classes at most 2 %, right ones 93 %, and of the peaks of chance at most 5 % a class.
    """
    found = shares([30, 40, 50, 30, 40, 50], seen=0.9)

    assert found["wrong"] <= 0.02
    assert found["right"] >= 0.93
    assert found["chance"] <= 0.05


@pytest.mark.parametrize(
    ("speeds_m_s", "seen"),
    [([30, 40, 50], 0.9), ([30, 50], 0.9), ([39, 40, 41] * 2, 0.9), ([30, 40, 50] * 2, 0.5)],
    ids=["no repeats", "two runs", "close speeds", "half of the peaks missed"],
)
def test_a_poorer_sweep_is_left_undecided_rather_than_wrong(
    speeds_m_s: list[float], seen: float
) -> None:
    """Wrong classes stay at most 2 % where there is less to go by."""
    found = shares(speeds_m_s, seen)

    assert found["wrong"] <= 0.02
    assert found["chance"] <= 0.05


def test_a_mains_line_may_cross_a_fan_line() -> None:
    """At 50 m/s both stand at 50 Hz as one line; elsewhere each keeps its class."""
    runs = [
        spectrogram(speed, *sorted({50.0, float(speed)}), narrow=True, error=0.001)
        for speed in (30, 40, 50, 30, 40, 50)
    ]

    names = [[verdict.name for verdict in run] for run in classify(runs)]

    assert names[0] == names[1] == [SCALES, FIXED]
    assert names[2] == [UNDECIDED]


def test_a_line_does_not_stand_in_for_a_broad_peak() -> None:
    """Shedding at St 0.2 with mains at its frequency at one speed: the wake scales, mains stay."""
    runs = []
    for speed in (80.0, 109.0, 140.0):
        wake = Sighting(log(0.2 * speed / LENGTH_M), 1e-4, narrow=False)
        mains = Sighting(log(50.0), 1e-6, narrow=True)
        runs.append(Spectrogram(speed, *BAND_HZ, (wake, mains)))

    assert [[v.name for v in run] for run in classify(runs)] == [[SCALES, FIXED]] * 3


def test_runs_without_wind_speak_for_a_constant_frequency() -> None:
    """One wind speed alone tells nothing, unless the peak is there without wind as well."""
    alone = [spectrogram(40.0, 50.0, narrow=True, error=0.001)]
    still = [spectrogram(None, 50.0, narrow=True, error=0.001)] * 2

    told = first(*alone, *still)

    assert first(*alone).name == UNDECIDED
    assert "only one wind speed" in first(*alone).why
    assert told.name == FIXED
    assert "at 40 m/s and without wind" in told.why


def test_a_quiet_run_without_wind_says_nothing_against_a_resonance() -> None:
    """The flow drives a resonance; without wind it need not show."""
    runs = [spectrogram(speed, 23.0) for speed in (30.0, 40.0, 50.0, 30.0, 40.0, 50.0)]

    assert first(*runs, spectrogram(None), spectrogram(None)).name == FIXED


def test_where_the_band_ends_no_peak_is_missed() -> None:
    """130 Hz at 30 m/s would stand at 217 Hz at 50 m/s, outside the band to 200 Hz."""
    runs = [spectrogram(30.0, 130.0), spectrogram(40.0, 130.0 * 4 / 3), spectrogram(50.0)]

    assert first(*runs).scaling.runs == 1
    assert first(*runs).fixed.runs == 2


@pytest.mark.parametrize(
    ("runs", "why"),
    [
        ([spectrogram(None, 50.0)], "there was no wind"),
        ([spectrogram(40.0, 18.0), spectrogram(40.1, 18.0)], "only one wind speed"),
        ([spectrogram(30.0, 14.0), spectrogram(50.0, 99.0)], "no run at another wind speed shows"),
        ([spectrogram(30.0, 14.0), spectrogram(50.0, 14 * 5 / 3, 70, 90)], "too few runs show it"),
        ([spectrogram(40.0, 18.0)] + [spectrogram(40.8, 18.2)] * 3, "explain it nearly alike"),
    ],
    ids=["no wind", "one speed", "nowhere", "too few", "alike"],
)
def test_what_is_undecided_says_why(runs: list[Spectrogram], why: str) -> None:
    """One sentence for each reason."""
    verdict = first(*runs)

    assert verdict.name == UNDECIDED
    assert why in verdict.why


def test_a_track_that_scatters_beyond_its_errors_fits_nothing() -> None:
    """Each run within the gate of the first, but 3.3 % to both sides in turn."""
    off = [0.0, 0.033, -0.033, 0.033, -0.033, 0.033, -0.033]
    speeds = [20.0 * 1.5**i for i in range(7)]
    runs = [
        spectrogram(speed, 0.4 * speed * (1 + x), error=0.001)
        for speed, x in zip(speeds, off, strict=True)
    ]

    assert first(*runs).name == UNDECIDED
    assert first(*runs).why == "neither a constant frequency nor a constant Strouhal number fits"


def test_the_reason_names_speeds_and_spread() -> None:
    """St within 1 % at three speeds, many times likelier than a constant frequency."""
    name: ClassName = SCALES
    runs = [spectrogram(speed, 0.46 * speed * x) for speed, x in ((30, 1), (40, 1.01), (50, 0.99))]

    verdict = first(*runs, *runs)

    assert verdict.name == name
    assert verdict.why.startswith("its Strouhal number stays within 1.0 % at 30, 40 and 50 m/s")
