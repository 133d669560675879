"""What is worked out for all speeds, bands, cars and resamples at once, against plain loops."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis, analyse
from buffet.perception.weighting import weighting
from buffet.rating import car_spread
from buffet.rating.car_spread import averaged, drawn_cars
from buffet.rating.pool import Pool
from buffet.rating.ride_metrics import RideSetting
from buffet.road_speed import FullScale
from buffet.run_analysis import RunAnalysis
from buffet.spectral.group_features import FEW_BANDS, GroupFeatures
from buffet.spectral.reduction import COMPONENTS, ReducedSpectra
from buffet.vehicle import GOOD_MOTORWAY, CarModel, typical_car
from ingest import open_campaign
from tests.buffet.campaigns import CAMPAIGN, PlantedRun, band_noise, write_runs

Array = NDArray[np.float64]

SPEEDS_M_S = np.array([20.0, 37.0, 60.0])
SCALE, WIND_M_S = 0.3, 40.0
AREA_M2, WHEELBASE_M = 0.194 / SCALE**2, 0.775 / SCALE
# 20 °C, 101 325 Pa, 50 %: CIPM-2007, kg/m³ (tests/published/air.csv).
ROAD_DENSITY_KG_M3 = 1.1993139
BAND_HZ = (1.0, 20.0)
CAR = typical_car(WHEELBASE_M)
SETTING = RideSetting(CAR, GOOD_MOTORWAY, FullScale(AREA_M2, WHEELBASE_M, 1.45, SCALE), SPEEDS_M_S)


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> CampaignAnalysis:
    """Two repeats with a wind-off run, which is as long as a fifth of them."""
    runs = [PlantedRun("1", _samples(1, 0.1, 12.0), None)]
    runs += [PlantedRun(str(n), _samples(n, 1.0, 60.0), zero="1") for n in (2, 3)]
    folder = tmp_path_factory.mktemp("at once") / "campaign"
    return analyse(open_campaign(write_runs(folder, runs, CAMPAIGN)))


def _samples(seed: int, level: float, seconds: float) -> dict[str, Array]:
    lift = band_noise(seed, 0.02 * level, seconds)
    own = [band_noise(seed + 100 * i, 0.01 * level, seconds) for i in (1, 2)]
    return {"drag": 0.3 + own[0], "lift": 0.1 + lift, "pitch moment": -0.4 * lift + own[1]}


def _pool(analysis: CampaignAnalysis) -> Pool:
    return Pool(analysis.runs, SETTING, ("drag", "lift", "pitch moment"), {"vertical": ()})


def _seat_psd(spectra: ReducedSpectra, speed_m_s: float) -> Array:
    """Weighted acceleration over model frequency, of each group, ``(n_groups, n_bins)``."""
    road_hz = spectra.frequency_hz * speed_m_s / WIND_M_S * SCALE
    rows = CarModel.of(CAR).response("seat z", np.maximum(road_hz, 0.05), speed_m_s).rows
    assert rows is not None
    load_n = 0.5 * ROAD_DENSITY_KG_M3 * speed_m_s**2 * AREA_M2
    total = np.zeros((len(spectra.group_segments), len(road_hz)))
    for i, one in enumerate(spectra.components):
        for j, other in enumerate(spectra.components):
            first, second = (rows[:, COMPONENTS.index(word)] for word in (one, other))
            arm = WHEELBASE_M ** ((one == "pitch moment") + (other == "pitch moment"))
            part = first * spectra.group_matrix[:, :, i, j] * second.conj()
            total += load_n**2 * arm * part.real
    return np.asarray(total * np.abs(weighting("Wk", road_hz)) ** 2)


def _in_band(spectra: ReducedSpectra, psd: Array, ratio: float, low: float, high: float) -> Array:
    """Bins summed one by one, those at an edge by the part that lies inside."""
    total = np.zeros(len(psd))
    step_hz = spectra.frequency_step_hz
    for place in range(2, len(spectra.frequency_hz)):  # the lowest two hold the mean
        centre = spectra.frequency_hz[place]
        if centre > spectra.usable_hz.min():
            break
        bottom, top = centre - step_hz / 2, centre + step_hz / 2
        inside = min(top, high / ratio) - max(bottom, low / ratio)
        total += psd[:, place] * max(inside, 0.0)
    return total


def _expected(
    runs: tuple[RunAnalysis, ...], speed_m_s: float, bands: list[tuple[float, float]]
) -> Array:
    """Mean over the runs by band and resample, the wind-off runs taken out of each."""
    ratio = speed_m_s / WIND_M_S * SCALE
    total = np.zeros((len(bands), len(runs[0].vertical.weights)))
    for run in runs:
        parts = [(run.signal, run.vertical.weights)]
        parts += [(off.spectra, -off.resampling.weights / len(run.noise)) for off in run.noise]
        for spectra, weights in parts:
            psd = _seat_psd(spectra, speed_m_s)
            for place, (low, high) in enumerate(bands):
                own = _in_band(spectra, psd, ratio, low, high)
                total[place] += weights @ own / len(runs)
    return total


def test_every_resample_at_every_speed_is_the_sum_over_bins_runs_and_groups(
    analysis: CampaignAnalysis,
) -> None:
    """The car's response at each bin itself: what lies between is straight to a thousandth."""
    found = _pool(analysis).motion("seat z").band(BAND_HZ).samples
    assert found.shape == (1001, len(SPEEDS_M_S))
    for place, speed_m_s in enumerate(SPEEDS_M_S.tolist()):
        (expected,) = _expected(analysis.runs, speed_m_s, [BAND_HZ])
        np.testing.assert_allclose(found[:, place], expected, rtol=1e-3)


def test_the_worst_octave_of_every_resample_is_the_largest_of_all(
    analysis: CampaignAnalysis,
) -> None:
    """Octaves that slide by a twelfth from 1 to 20 Hz, over the road's."""
    motion = _pool(analysis).motion("seat z")
    found = motion.over_road(BAND_HZ)
    lows = 2 ** (np.arange(40) / 12)
    road = SETTING.road_octaves(lows, 2 * lows)
    for place, speed_m_s in enumerate(SPEEDS_M_S.tolist()):
        every = _expected(analysis.runs, speed_m_s, [(low, 2 * low) for low in lows.tolist()])
        ratios = every / road[place][:, None]
        np.testing.assert_allclose(found.samples[:, place], ratios.max(axis=0), rtol=1e-3)
        worst = lows[ratios[:, 0].argmax()]
        assert found.octave_hz is not None
        assert found.octave_hz[place] == pytest.approx([worst, 2 * worst])
    np.testing.assert_allclose(
        motion.band(BAND_HZ).samples, _pool(analysis).motion("seat z").band(BAND_HZ).samples
    )


@pytest.mark.parametrize("n_bands", [1, FEW_BANDS, FEW_BANDS + 3])
def test_band_variances_are_the_power_of_the_combination(n_bands: int) -> None:
    """|row · X|² of vectors that are drawn, each group their mean over three."""
    rng = np.random.default_rng(1)
    parts = rng.standard_normal((2, 4, 3, 30, 5))
    vectors = parts[0] + 1j * parts[1]  # (n_groups, 3, n_bins, n_components)
    matrix = np.einsum("gsfi,gsfj->gfij", vectors, vectors.conj()) / 3
    spectra = _spectra_of(matrix)
    used = [4, 0, 2]
    drawn = rng.standard_normal((2, 3, 6, 12))
    rows, bands = drawn[0] + 1j * drawn[1], rng.uniform(size=(6, n_bands, 12))
    found = GroupFeatures.of([spectra, spectra], used, 20).variances(rows, bands, 7)
    power = np.abs(np.einsum("inf,gsfi->gsnf", rows, vectors[:, :, 7:19, used])) ** 2
    expected = np.einsum("gnf,nbf->gnb", power.mean(axis=1), bands) * 0.5
    np.testing.assert_allclose(found[:4], expected, rtol=1e-12)
    np.testing.assert_array_equal(found[4:], found[:4])


def _spectra_of(matrix: NDArray[np.complex128]) -> ReducedSpectra:
    n_groups, n_bins, n, _ = matrix.shape
    nothing = np.zeros(0)
    return ReducedSpectra(
        (),
        COMPONENTS[:n],
        np.arange(n_bins) * 0.5,
        0.5,
        nothing,
        1.0,
        1.0,
        np.ones(n_groups),
        np.zeros((n_groups, 0, n_bins)),
        matrix,
        nothing,
        np.zeros((n_groups, 0)),
        nothing,
        np.zeros((0, n_bins), complex),
    )


def test_drawn_cars_together_are_each_car_alone(
    analysis: CampaignAnalysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mean squares at each tried speed, by a pool of its own a car."""
    monkeypatch.setattr(car_spread, "DRAWS", 5)
    drawn = drawn_cars(SETTING)
    assert drawn is not None
    alone = (averaged(analysis.runs[0]),)
    together = Pool(alone, drawn.setting, ("drag", "lift", "pitch moment"), {})
    found = (
        together.motion("seat z").over_road(BAND_HZ).samples[0].reshape(len(drawn.tried_m_s), -1)
    )
    cars = drawn.setting.cars
    assert cars is not None
    for place, car in enumerate(cars[: found.shape[1]]):
        own = replace(drawn.setting, vehicle=car, cars=None, speeds_m_s=drawn.tried_m_s)
        one = Pool(alone, own, ("drag", "lift", "pitch moment"), {}).motion("seat z")
        np.testing.assert_allclose(found[:, place], one.over_road(BAND_HZ).samples[0], rtol=1e-10)


def test_responses_at_several_speeds_are_those_at_each() -> None:
    """With one in their midst at which the car leaves its path."""
    rear = replace(CAR.rear, cornering_stiffness_n_rad=15e3)
    car = CarModel.of(replace(CAR, rear=rear))
    grid = np.array([0.5, 3.0, 11.0])
    speeds = [30.0, 80.0, 10.0]
    assert [car.why_no_lateral(speed) is None for speed in speeds] == [False, False, True]
    for output in ("seat z", "seat y", "yaw rate", "rear axle load", "front left wheel load"):
        for speed, one in zip(speeds, car.responses(output, grid, speeds), strict=True):
            own = CarModel.of(car.vehicle).response(output, grid, speed)
            assert (one.why, one.left_out) == (own.why, own.left_out)
            if own.rows is None:
                assert one.rows is None
            else:
                assert one.rows is not None
                np.testing.assert_allclose(one.rows, own.rows, rtol=1e-12)


@pytest.mark.parametrize(
    ("given", "expected"),
    [({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3"), ({"OMP_NUM_THREADS": "2"}, "None")],
)
def test_the_command_line_has_one_blas_thread_unless_told(
    given: dict[str, str], expected: str
) -> None:
    """Set before numpy is loaded; what the user states is left alone."""
    rest = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    code = "import os, buffet.__main__; print(os.environ.get('OPENBLAS_NUM_THREADS'))"
    root = Path(__file__).parent.parent.parent
    ran = subprocess.run(
        [sys.executable, "-c", code], env=rest | given, cwd=root, capture_output=True, text=True
    )
    assert ran.stdout.strip() == expected
