"""Roads from profiles: planted spectra, a planted wave, planted tracks."""

# ruff: noqa: E501  # one case a line reads as the table it is
from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import welch

from buffet.errors import RoadError
from buffet.vehicle import RideModel, Road, measured_road, roughness_index, seat_acceleration_psd
from buffet.vehicle.road_profile import Profile, read_profile
from buffet.vehicle.road_spectrum import fitted_line, profile_spectrum, smoothed
from tests.buffet.cars import HATCHBACK
from tests.buffet.road_profiles import gaussian_profile, write_profile

STEP_M = 0.1
N = 30_001  # 3 km: 29 segments of 200 m


def one_track(heights_m: np.ndarray) -> Profile:
    """A profile that was not read from a file."""
    return Profile("planted.csv", "", STEP_M, heights_m[None, :])


@pytest.mark.parametrize(
    ("unevenness_m3", "waviness", "letter"),
    [(4e-6, 2.0, "A"), (64e-6, 1.6, "B"), (256e-6, 2.4, "C")],
)
def test_planted_unevenness_and_waviness(
    unevenness_m3: float, waviness: float, letter: str, tmp_path: Path
) -> None:
    """Found from a file within the scatter that 3 km leave.

    Around 0.1 cycle/m an octave holds 14 bins, each the mean of 29 segments of half overlap:
    some 5 % of the PSD; the fit over eight octaves does not do worse.
    """
    heights = gaussian_profile(unevenness_m3, waviness, STEP_M, N, seed=1)
    path = write_profile(tmp_path / "lane.csv", STEP_M, height=heights)

    road = measured_road(path)

    assert road.unevenness_m3 == pytest.approx(unevenness_m3, rel=0.15)
    assert road.waviness == pytest.approx(waviness, abs=0.05)
    assert road.road_class == letter
    assert road.profile.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (road.profile.length_m, road.spectrum.segment_m) == pytest.approx((3000, 200))


def test_many_profiles_have_the_planted_unevenness_on_average() -> None:
    """Over 40 profiles of 800 m the means lie within 4 % and 0.02: no bias that matters."""
    found = [
        fitted_line(profile_spectrum(one_track(gaussian_profile(16e-6, 2.0, 0.1, 8001, s))), 0.1)
        for s in range(40)
    ]

    level, slope = np.mean(found, axis=0)
    assert level == pytest.approx(16e-6, rel=0.04)
    assert slope == pytest.approx(2.0, abs=0.02)


def test_a_sine_keeps_its_wave_and_its_variance() -> None:
    """3 mm at 8 m on a grade of 2 %: half the square of the slope's amplitude, at 1/8 cycle/m."""
    distance = STEP_M * np.arange(N)
    wave = 0.003 * np.sin(2 * np.pi * distance / 8)

    spectrum = profile_spectrum(one_track(0.02 * distance + wave))

    psd = spectrum.slope_psd_m
    step = spectrum.wavenumber_cycle_m[1] - spectrum.wavenumber_cycle_m[0]
    assert spectrum.wavenumber_cycle_m[psd.argmax()] == pytest.approx(1 / 8)
    assert psd.sum() * step == pytest.approx((0.003 * 2 * np.pi / 8) ** 2 / 2, rel=1e-3)


def test_agrees_with_scipy_on_a_flat_spectrum() -> None:
    """Heights whose differences are white: the same as scipy's Welch on the differences."""
    walk = np.cumsum(np.random.default_rng(4).standard_normal(N)) * 1e-4

    spectrum = profile_spectrum(one_track(walk))

    slope = np.diff(walk) / STEP_M
    n, psd = welch(slope - slope.mean(), 1 / STEP_M, nperseg=2000)
    own = np.isin(np.round(n, 9), np.round(spectrum.wavenumber_cycle_m, 9))
    expected = psd[own] / np.sinc(n[own] * STEP_M) ** 2
    assert spectrum.slope_psd_m == pytest.approx(expected, rel=1e-9)


def test_smoothing_keeps_a_power_law() -> None:
    """Means over bands of n^-2 are the values at the bands' centres, √(n1 n2), exactly."""
    wavenumber = np.arange(1, 200_001) * 5e-5

    centre, mean, octaves = smoothed(wavenumber, wavenumber**-2.0)

    assert mean == pytest.approx(centre**-2.0, rel=1e-3)
    assert set(np.round(1 / octaves)) == {1.0, 3.0, 12.0}
    # ISO 8608 goes over to thirds above 1/32 cycle/m and to twelfths above 1/4 (from memory).
    for per_octave, share in ((1, 1 / 32), (3, 1 / 4)):
        assert centre[np.round(1 / octaves) == per_octave].max() == pytest.approx(share)


def test_the_road_is_the_profile_where_it_is_resolved_and_iso_8608_beyond(tmp_path: Path) -> None:
    """Near the planted PSD inside; n^-2 below 0.01 and above 2.5 cycle/m, without a step."""
    heights = gaussian_profile(64e-6, 2.0, STEP_M, N, seed=2)
    road = measured_road(write_profile(tmp_path / "lane.csv", STEP_M, height=heights))
    planted = Road(64e-6)

    assert road.resolved_cycle_m == pytest.approx((0.01, 2.5))
    inside = np.linspace(0.02, 2.4, 400)
    ratio = road.displacement_psd(inside) / planted.displacement_psd(inside)
    assert ratio.mean() == pytest.approx(1, abs=0.03)
    below, above = road.displacement_psd([1e-4, 1e-3]), road.displacement_psd([5.0, 50.0])
    assert below[0] / below[1] == pytest.approx(100)
    assert above[0] / above[1] == pytest.approx(100)
    assert below[1] == pytest.approx(64e-6 * 1e4, rel=0.6)  # 3 bins of 29 segments
    assert above[0] == pytest.approx(64e-6 / 2500, rel=0.05)
    assert "waves of 100 to 0.4 m; longer and shorter ones are continued" in road.remark


def test_ride_and_index_are_those_of_the_planted_road(tmp_path: Path) -> None:
    """The seat's acceleration and the index, on the measured and on the planted road."""
    heights = gaussian_profile(16e-6, 2.0, STEP_M, N, seed=3)
    road = measured_road(write_profile(tmp_path / "lane.csv", STEP_M, height=heights))
    model, grid_hz = RideModel.from_vehicle(HATCHBACK), np.arange(0.5, 20, 0.02)

    rms = [
        np.sqrt(seat_acceleration_psd(model, grid_hz, 36.0, one, track_m=1.5).sum())
        for one in (road, Road(16e-6))
    ]

    assert rms[0] == pytest.approx(rms[1], rel=0.06)
    assert roughness_index(road) == pytest.approx(roughness_index(Road(16e-6)), rel=0.05)


def test_coherence_is_that_of_the_planted_tracks(tmp_path: Path) -> None:
    """Two tracks of a common part of 80 % of the variance and one each of their own."""
    parts = [gaussian_profile(16e-6, 2.0, STEP_M, N, seed) for seed in (4, 5, 6)]
    tracks = [np.sqrt(0.8) * parts[0] + np.sqrt(0.2) * own for own in parts[1:]]
    path = write_profile(tmp_path / "lane.csv", STEP_M, left=tracks[0], right=tracks[1])

    road = measured_road(path)

    inside = np.linspace(0.02, 2.4, 400)
    assert road.coherence(inside, 1.5).mean() == pytest.approx(0.8, abs=0.02)
    assert road.tracks_are == "as measured"
    assert road.coherence([1e-4, 20.0], 1.5) == pytest.approx([1, 0], abs=1e-3)
    assert road.unevenness_m3 == pytest.approx(16e-6, rel=0.15)


def test_one_track_is_taken_for_one_of_an_isotropic_surface(tmp_path: Path) -> None:
    """Of ISO 8608's exponent, whatever the line's own."""
    heights = gaussian_profile(16e-6, 2.5, STEP_M, N, seed=7)
    road = measured_road(write_profile(tmp_path / "lane.csv", STEP_M, height=heights))

    assert road.tracks_are == "as on an isotropic surface"
    assert road.coherence(0.1, 1.5) == pytest.approx(Road(1e-6).coherence(0.1, 1.5))


def test_other_units_delimiters_and_columns_read_alike(tmp_path: Path) -> None:
    """Feet and inches behind a decimal comma, a comment, a column of something else."""
    rows = [f"{0.3 * i / 0.3048:.6f};x;{i % 7:.1f}".replace(".", ",") for i in range(1200)]
    path = tmp_path / "lane.csv"
    text = "# by hand\nDistance [ft];note;Height (in)\n" + "\n".join(rows)
    path.write_text(text, encoding="utf-8")

    profile = read_profile(path)

    assert profile.step_m == pytest.approx(0.3, rel=1e-5)
    assert profile.heights_m[0, :8] == pytest.approx(0.0254 * np.arange(8) % (7 * 0.0254))


HEADER = "distance (m),height (mm)\n"
ROWS = [f"{0.1 * i:.1f},{i % 5}" for i in range(50)]
FAULTS = [
    ("", "lane.csv: holds no profile; wanted 'distance \\(m\\), height \\(mm\\)' or"),
    ("x (m),height (mm)\n0,1\n1,2\n", "line 1: the columns are x \\(m\\), height \\(mm\\); wanted"),
    ("distance (m),left (mm)\n0,1\n1,2\n", "the columns are distance \\(m\\), left \\(mm\\); wanted"),
    ("distance,height (mm)\n0,1\n1,2\n", "'distance' has no unit; wanted a length in brackets, such as 'distance \\(mm\\)'"),
    ("distance (m),height (V)\n0,1\n1,2\n", "'height' has the unit 'V'; wanted a length"),
    (HEADER + "0,1\n0.1,\n0.2,3\n", "line 3: 'height' is ''; wanted a number: fill the gap"),
    (HEADER + "0,1\n0.1,2\n0.1,3\n", "line 4: the distance is 0.1 m after 0.1 m; wanted distances that rise"),
    (HEADER + "\n".join(ROWS[:20] + ROWS[21:]), "wanted even steps: is a row missing"),
    (HEADER + "\n".join(ROWS), "lane.csv: 4.9 m in steps of 0.1 m do not resolve waves from 20 to 1.25 m; wanted 160 m or more in steps of 0.312 m or less"),
    (HEADER + "\n".join(f"{0.1 * i:.1f},5" for i in range(2000)), "lane.csv: the height does not change"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "told"), FAULTS)
def test_faults_of_a_profile(text: str, told: str, tmp_path: Path) -> None:
    """One message: which file and line, what was there, and what was wanted."""
    path = tmp_path / "lane.csv"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(RoadError, match=told):
        measured_road(path)


def test_heights_in_the_wrong_unit_are_noticed(tmp_path: Path) -> None:
    """Millimetres called metres make a road a million times as uneven as it is."""
    heights = 1000 * gaussian_profile(16e-6, 2.0, STEP_M, 3001, seed=1)
    path = write_profile(tmp_path / "lane.csv", STEP_M, height=heights)

    with pytest.raises(RoadError, match=r"its unevenness G\(n0\) is \d+ m³; wanted .* units right"):
        measured_road(path)


def test_what_is_no_text_is_refused(tmp_path: Path) -> None:
    """A missing file, and bytes that are no text."""
    path = tmp_path / "lane.csv"
    with pytest.raises(RoadError, match=r"lane.csv: cannot be read \(No such file"):
        read_profile(path)
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(RoadError, match="is no delimited text in UTF-8; save it as CSV"):
        read_profile(path)
