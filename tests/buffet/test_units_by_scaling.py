"""Units by scaling: double a length, a density or a speed, and each result moves by its power."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.rating.rate import Rating, RatingSettings, rate
from buffet.rating.table import road_table
from buffet.road_speed import frequency_ratio
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import run_result
from ingest import open_campaign
from tests.buffet.campaigns import CAMPAIGN, RATE_HZ, PlantedRun, band_noise, changed, write_runs

SPEEDS = (20.0, 40.0)  # m/s
SECONDS = 20.0


def shed() -> dict[str, Any]:
    """A lift force that is shed at 12 Hz, some drag and pitch moment, in SI."""
    n = round(SECONDS * RATE_HZ)
    f = np.fft.rfftfreq(n, 1 / RATE_HZ)
    spectrum = np.fft.rfft(band_noise(1, 1.0, SECONDS))
    lift = np.fft.irfft(spectrum / np.sqrt((144 - f**2) ** 2 + (2 * f) ** 2), n)
    lift = 5 * lift / lift.std()
    return {
        "drag": 60 + band_noise(2, 1.0, SECONDS),
        "lift": 20 + lift + band_noise(3, 0.5, SECONDS),
        "pitch moment": -2 + 0.3 * band_noise(4, 1.0, SECONDS),
    }


SAMPLES = shed()
UNITS = {"drag": "N", "lift": "N", "pitch moment": "N m"}
AIR = {"speed": "40 m/s", "density": "1.2 kg/m^3", "viscosity": "1.8e-5 Pa s"}


@dataclass(frozen=True)
class Results:
    """What one campaign gives."""

    run: RunAnalysis
    rating: Rating

    def numbers(self) -> dict[str, float]:
        """By name: coefficients, Strouhal number, road frequency, loads and Reynolds numbers."""
        result = run_result(self.run)
        by_word = {q.quantity.measures: q for q in result.quantities}
        lift, pitch = by_word["lift"], by_word["pitch moment"]
        _, row = road_table(self.rating, np.array(SPEEDS))
        band = (lift.frequency_hz > 2) & (lift.frequency_hz < 40)  # nearly all of the peak
        flow = self.run.flow
        assert lift.rms is not None
        assert pitch.rms is not None
        assert result.strouhal is not None
        assert flow is not None
        assert flow.reynolds is not None
        assert row.lift_rms_n is not None
        assert row.drag_n is not None
        assert row.peak_frequency_hz is not None
        return {
            "drag coefficient": by_word["drag"].mean.value,
            "lift rms": lift.rms.value,
            "lift psd": float(np.mean(lift.psd[band])),
            "pitch moment rms": pitch.rms.value,
            "frequency": result.strouhal.value / (result.strouhal_per_hz or 0),
            "strouhal": result.strouhal.value,
            "frequency ratio": float(frequency_ratio(self.run, np.array(SPEEDS))[1]),
            "dynamic pressure": flow.dynamic_pressure_pa,
            "reynolds": flow.reynolds,
            "road reynolds": self.rating.full_scale.reynolds(SPEEDS[1]),
            "road drag": row.drag_n,
            "road lift rms": row.lift_rms_n,
            "road peak": row.peak_frequency_hz,
        }


def results(folder: Path, model: Mapping[str, Any], air: Mapping[str, Any]) -> Results:
    """Analyse and rate the same forces under other circumstances."""
    campaign: dict[str, Any] = dict(CAMPAIGN)
    for key, value in model.items():
        campaign = changed(campaign, ("model", key), value)
    run = PlantedRun("1", SAMPLES, units=UNITS, air={**AIR, **air})
    analysis = analyse(open_campaign(write_runs(folder, [run], campaign)))
    rating = rate(analysis, RatingSettings(SPEEDS[0], SPEEDS, up_to_m_s=SPEEDS[1]))
    return Results(analysis.runs[0], rating)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    """Under the campaign's own circumstances."""
    return results(tmp_path_factory.mktemp("scaling") / "c", {}, {}).numbers()


# What is doubled, and the power by which each result that is not named stays alone.
DOUBLED: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, float]]] = {
    # Coefficients fall with q; the road's loads with them.
    "density": (
        {},
        {"density": "2.4 kg/m^3", "viscosity": "1.8e-5 Pa s"},
        {
            "drag coefficient": -1, "lift rms": -1, "lift psd": -2, "pitch moment rms": -1,
            "dynamic pressure": 1, "reynolds": 1, "road drag": -1, "road lift rms": -1,
        },
    ),
    # q rises with the square; St and the road's frequency fall as 1 / U.
    "wind speed": (
        {},
        {"speed": "80 m/s"},
        {
            "drag coefficient": -2, "lift rms": -2, "lift psd": -4, "pitch moment rms": -2,
            "strouhal": -1, "frequency ratio": -1, "dynamic pressure": 2, "reynolds": 1,
            "road drag": -2, "road lift rms": -2, "road peak": -1,
        },
    ),
    # The coefficient falls with the area, the road's load has it back.
    "frontal area": (
        {"frontal_area": "0.388 m^2"},
        {},
        {"drag coefficient": -1, "lift rms": -1, "lift psd": -2, "pitch moment rms": -1},
    ),
    "wheelbase": ({"wheelbase": "1.55 m"}, {}, {"pitch moment rms": -1}),
    # St and the Reynolds numbers are on it; what is shed on the road is not.
    "strouhal length": (
        {"strouhal_length": "0.87 m"},
        {},
        {"strouhal": 1, "reynolds": 1, "road reynolds": 1},
    ),
    # A model twice as large is of a car half as large: f_road ∝ scale, A_road ∝ 1 / scale².
    "scale": (
        {"scale": 0.60},
        {},
        {"frequency ratio": 1, "road reynolds": -1, "road drag": -2, "road lift rms": -2,
         "road peak": 1},
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", DOUBLED)
def test_doubling(what: str, before: dict[str, float], tmp_path: Path) -> None:
    """Each result moves by two to its power, the others stay."""
    model, air, powers = DOUBLED[what]
    after = results(tmp_path / "c", model, air).numbers()

    for name, value in before.items():
        rel = tolerance(name, other_segments=what in ("strouhal length", "wind speed"))
        assert after[name] / value == pytest.approx(2.0 ** powers.get(name, 0), rel=rel), name


def tolerance(name: str, *, other_segments: bool) -> float:
    """Rounding; where segments of another length are taken, the scatter of what is estimated."""
    if name == "lift psd":
        return 0.1 if other_segments else 1e-9
    if name in ("frequency", "strouhal", "road peak"):
        return 0.02 if other_segments else 1e-3  # a fit stops where it is good enough
    return 1e-3 if "rms" in name and other_segments else 1e-9


def test_road_loads_rise_with_the_square_of_speed(tmp_path: Path) -> None:
    """Twice the road speed: four times the load, twice the shedding frequency."""
    slow, fast = road_table(results(tmp_path / "c", {}, {}).rating, np.array(SPEEDS))

    for name, power in (
        ("dynamic_pressure_pa", 2),
        ("drag_n", 2),
        ("front_lift_n", 2),
        ("rear_lift_n", 2),
        ("lift_rms_n", 2),
        ("rear_lift_rms_n", 2),
        ("peak_frequency_hz", 1),
    ):
        assert getattr(fast, name) / getattr(slow, name) == pytest.approx(2.0**power), name


def test_coefficient_by_hand(before: dict[str, float]) -> None:
    """60 N on 0.194 m² at ½ · 1.2 · 40² = 960 Pa; 12 Hz on 0.435 m at 40 m/s."""
    assert before["drag coefficient"] == pytest.approx(60 / (960 * 0.194), rel=0.001)
    assert before["strouhal"] == pytest.approx(12 * 0.435 / 40, rel=0.02)
    assert before["frequency ratio"] == pytest.approx(0.30)
    assert before["reynolds"] == pytest.approx(1.2 * 40 * 0.435 / 1.8e-5)
    # 0.322 on 0.194 m² / 0.30² at ½ · 1.1993 · 40² Pa (air: tests/published/air.csv).
    assert before["road drag"] == pytest.approx(
        60 / (960 * 0.194) * 0.194 / 0.09 * 0.5 * 1.1993139 * 1600, rel=0.001
    )
