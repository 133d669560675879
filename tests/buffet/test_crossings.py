"""Where the wake's peaks meet the car's modes: closed forms, other searches, a planted campaign."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.optimize import bisect

from buffet import documents, terminal
from buffet.analysis import analyse
from buffet.cli import main
from buffet.crossings.meeting import Crossing, Crossings, crossings
from buffet.crossings.modes import FixedMode, ModeCurve, families_of, mode_curves, resonates
from buffet.crossings.rays import Ray
from buffet.crossings.rays import rays as rays_of
from buffet.crossings.text import crossings_text, ray_text
from buffet.following import follow
from buffet.interval import Interval
from buffet.rating.crossing_shade import seat_per_coefficient
from buffet.rating.motions import Family
from buffet.rating.rate import Rating, RatingSettings, rate
from buffet.rating.ride_metrics import RideSetting
from buffet.report import draw_rating, report_html
from buffet.report.crossing_figure import crossing_figure
from buffet.report.look import drawing
from buffet.road_speed import FullScale
from buffet.spectral.tracks import SCALES, UNDECIDED
from buffet.vehicle import GOOD_MOTORWAY, CarModel
from ingest import open_campaign, read_vehicle
from ingest.vehicle import MeasuredMode
from tests.buffet.campaigns import CAMPAIGN, write_runs
from tests.buffet.car_in_time import printed_factors
from tests.buffet.cars import HATCHBACK, known
from tests.buffet.lateral_cars import SALOON
from tests.buffet.test_following import SPEEDS_M_S, WAKE_STROUHAL, wind_on

ROOT = Path(__file__).parents[2]
LENGTH_M = 1.45
WHOLE = FullScale(2.1, 2.58, LENGTH_M, 0.3)
LOW_M_S, HIGH_M_S = 30 / 3.6, 250 / 3.6
RIDE = CarModel.of(HATCHBACK)
LATERAL = CarModel.of(SALOON)
FAMILIES: tuple[Family, ...] = ("vertical", "lateral")


def ray(
    strouhal: float = 0.2, bandwidth: float = 0.16, family: Family = "vertical", error: float = 0.01
) -> Ray:
    """A peak known to one percent."""
    interval = Interval(strouhal, strouhal * (1 - error), strouhal * (1 + error))
    component = "lift" if family == "vertical" else "side force"
    return Ray(family, (component,), interval, bandwidth, LENGTH_M, SCALES)


def fixed(hz: float, damping: float) -> ModeCurve:
    """A mode that keeps its frequency."""
    curves = mode_curves(RIDE, LOW_M_S, HIGH_M_S, [FixedMode("cabin", hz, damping)])
    (curve,) = (one for one in curves if one.name == "cabin")
    return curve


@pytest.mark.parametrize(
    ("hz", "damping", "strouhal", "bandwidth"),
    [(3.0, 0.1, 0.2, 0.16), (1.6, 0.3, 0.13, 0.2), (7.0, 0.01, 0.3, 0.02), (4.0, 0.0, 0.2, 0.1)],
)
def test_a_level_mode_is_met_where_the_strouhal_number_says(
    hz: float, damping: float, strouhal: float, bandwidth: float
) -> None:
    """V = f L / St, later for a smaller St; the bands' ends likewise, with f (1 ± ζ)."""
    (one,) = crossings([ray(strouhal, bandwidth)], [fixed(hz, damping)], 10.0)

    assert one.speed_m_s is not None
    assert one.mode_frequency_hz == hz
    assert one.speed_m_s.value == pytest.approx(hz * LENGTH_M / strouhal, rel=1e-12)
    assert one.speed_m_s.low == pytest.approx(hz * LENGTH_M / (strouhal * 1.01), rel=1e-9)
    assert one.speed_m_s.high == pytest.approx(hz * LENGTH_M / (strouhal * 0.99), rel=1e-9)
    low, high = (
        hz * (1 - damping) * LENGTH_M / (strouhal * (1 + bandwidth / 2)),
        hz * (1 + damping) * LENGTH_M / (strouhal * (1 - bandwidth / 2)),
    )
    assert one.overlap_m_s == pytest.approx((max(low, LOW_M_S), min(high, HIGH_M_S)), rel=1e-9)


@pytest.mark.parametrize(("beyond", "is_on_it"), [(0.999, False), (1.001, True)])
def test_the_rated_speed_is_held_by_the_overlap_alone(beyond: float, is_on_it: bool) -> None:
    """To a thousandth of its lower end, f (1 - ζ) L / (St (1 + b/2))."""
    edge_m_s = 3.0 * 0.9 * LENGTH_M / (0.2 * 1.08)
    (one,) = crossings([ray()], [fixed(3.0, 0.1)], beyond * edge_m_s)
    assert one.at_rated_speed == is_on_it


def test_an_interval_ends_where_the_search_ends() -> None:
    """The middle at 249.5 km/h: the later end lies beyond 250 km/h, and the overlap is cut."""
    hz = 0.2 * (249.5 / 3.6) / LENGTH_M
    (one,) = crossings([ray()], [fixed(hz, 0.1)], 10.0)

    assert one.speed_m_s is not None
    assert (one.speed_m_s.value * 3.6, one.speed_m_s.high) == (pytest.approx(249.5), None)
    assert one.overlap_m_s[1] == pytest.approx(HIGH_M_S)


def test_bands_that_overlap_without_their_middles_are_told_as_such() -> None:
    """The middle at 255 km/h, the bands from 0.9/1.08 of that."""
    hz = 0.2 * (255 / 3.6) / LENGTH_M
    (one,) = crossings([ray()], [fixed(hz, 0.1)], 10.0)

    assert one.speed_m_s is None
    assert one.overlap_m_s == pytest.approx((255 / 3.6 * 0.9 / 1.08, HIGH_M_S))


@pytest.mark.parametrize(
    ("strouhal", "mode"),
    [(0.2, (0.5, 0.05)), (0.2, (20.0, 0.05)), (0.2, (3.0, 0.75)), (0.05, (6.0, 0.1))],
)
def test_what_does_not_meet_is_not_listed(strouhal: float, mode: tuple[float, float]) -> None:
    """Below 30 km/h, beyond 250 km/h, and a mode so damped that nothing resonates."""
    curves = mode_curves(RIDE, LOW_M_S, HIGH_M_S, [FixedMode("cabin", *mode)])
    found = crossings([ray(strouhal)], [one for one in curves if one.name == "cabin"], 10.0)
    assert found == ()


def by_name(name: str) -> ModeCurve:
    """A mode of the lateral car."""
    (curve,) = (one for one in mode_curves(LATERAL, LOW_M_S, HIGH_M_S) if one.name == name)
    return curve


def told(name: str, speed_m_s: float) -> tuple[float, float]:
    """Frequency and damping by the car itself."""
    (mode,) = (one for one in LATERAL.modes(speed_m_s) if one.name == name)
    return mode.natural_frequency_hz, mode.damping_ratio


@pytest.mark.parametrize(("name", "strouhal"), [("roll", 0.1), ("lateral-yaw", 0.04)])
def test_a_mode_that_moves_is_met_where_its_own_curve_is(name: str, strouhal: float) -> None:
    """By scipy's bisection on the curve; interval and overlap by brute force on a fine grid."""
    (one,) = crossings([ray(strouhal, 0.1, "lateral")], [by_name(name)], 10.0)
    speed = bisect(
        lambda v: told(name, v)[0] - strouhal * v / LENGTH_M, 0.5 * HIGH_M_S / 2, HIGH_M_S
    )
    assert one.speed_m_s is not None
    assert one.speed_m_s.value == pytest.approx(speed, rel=1e-9)

    grid = np.arange(LOW_M_S, HIGH_M_S, 0.1)
    hz, damping = np.transpose([told(name, v) for v in grid])
    number = hz * LENGTH_M / grid
    inside = grid[(number > 0.99 * strouhal) & (number < 1.01 * strouhal)]
    assert one.speed_m_s.low == pytest.approx(inside[0], abs=0.1)
    assert one.speed_m_s.high == pytest.approx(inside[-1], abs=0.1)
    swings = damping < np.sqrt(0.5)
    reach = (number * (1 - damping) < 1.05 * strouhal) & (number * (1 + damping) > 0.95 * strouhal)
    apart = np.flatnonzero(~(reach & swings))
    low = grid[apart[grid[apart] < speed][-1]] if (grid[apart] < speed).any() else LOW_M_S
    assert one.overlap_m_s[0] == pytest.approx(low, abs=0.1)


def test_a_curve_that_jumps_over_the_ray_does_not_meet_it() -> None:
    """At 20 m/s the ray stands at 2.76 Hz, the mode goes from 2 Hz to 4 Hz at once."""

    def at(speed_m_s: float) -> tuple[float, float]:
        return (4.0 if speed_m_s < 20.0 else 2.0), 0.01

    speeds = np.linspace(18.0, 22.0, 9)
    hz = np.array([at(v)[0] for v in speeds])
    curve = ModeCurve("mode", ("vertical",), speeds, hz, np.full(9, 0.01), at)
    assert crossings([ray(bandwidth=0.01)], [curve], 10.0) == ()


def test_every_mode_of_the_car_is_a_curve_that_its_own_forces_push() -> None:
    """Ride modes by vertical, lateral ones by lateral forces; gaps where nothing resonates."""
    curves = {one.name: one for one in mode_curves(LATERAL, LOW_M_S, HIGH_M_S)}

    assert {"heave", "pitch", "roll", "lateral-yaw"} <= set(curves)
    for mode in LATERAL.modes(40.0):
        curve = curves.get(mode.name)
        assert families_of(mode) == ("lateral" if len(mode.coordinates) == 3 else "vertical",)
        if curve is not None and resonates(mode):
            near = np.argmin(np.abs(curve.speeds_m_s - 40.0))
            assert curve.frequency_hz[near] == pytest.approx(mode.natural_frequency_hz, rel=0.02)
    for curve in curves.values():
        assert np.isfinite(curve.frequency_hz).any()
        assert not (curve.damping >= np.sqrt(0.5)).any()
    pairs = {
        (one.ray.family, one.mode)
        for one in crossings([ray(0.2), ray(0.1, family="lateral")], list(curves.values()), 10.0)
    }
    assert ("vertical", "roll") not in pairs
    assert ("lateral", "heave") not in pairs


@pytest.mark.parametrize(
    ("shape", "families"),
    [
        ((0, 0, 1, 0, 0.1, 0), ("vertical",)),
        ((0, 1, 0, 0, 0, 0), ("lateral",)),
        ((0, 0.1, 1, 0, 0, 0), ("vertical", "lateral")),
    ],
)
def test_a_measured_mode_is_pushed_by_what_does_work_on_it(
    shape: tuple[float, ...], families: tuple[Family, ...]
) -> None:
    """x, z and pitch by vertical, y, roll and yaw by lateral forces."""
    car = CarModel.of(replace(SALOON, modes=(MeasuredMode("m", 2.0, 0.1, 900.0, shape),)))  # type: ignore[arg-type]
    (mode,) = car.modes(30.0)
    assert families_of(mode) == families


def test_two_measured_modes_of_one_name_are_two() -> None:
    """A body that bounces at 1 and at 3 Hz."""
    shape = (0.0, 0.0, 1.0, 0.0, 0.0, 0.0)
    modes = tuple(MeasuredMode("bounce", hz, 0.1, 900.0, shape) for hz in (1.0, 3.0))
    curves = mode_curves(CarModel.of(replace(SALOON, modes=modes)), LOW_M_S, HIGH_M_S)
    assert [one.frequency_hz[0] for one in curves] == [1.0, 3.0]


def test_told_are_those_on_the_rated_speed_and_the_nearest() -> None:
    """Modes at 2, 4 and 8 Hz; the ray passes 4.1 Hz at the rated speed."""
    rated = 4.1 * LENGTH_M / 0.2
    modes = [replace(fixed(hz, 0.05), name=f"{hz:g}") for hz in (2.0, 4.0, 8.0)]
    found = Crossings((ray(),), tuple(modes), crossings([ray()], modes, rated), (LOW_M_S, HIGH_M_S))

    assert [one.mode for one in found.met] == ["2", "4", "8"]
    assert [one.mode for one in found.told(rated)] == ["4"]
    assert [one.mode for one in found.told(7.0 * LENGTH_M / 0.2)] == ["4", "8"]  # held, and nearest
    text = crossings_text(found, rated)
    assert text.startswith("The peak in lift (St 0.200) meets the 4 mode (4.0 Hz) at 104.4 (")
    assert text.endswith(f", so at {rated * 3.6:.0f} km/h too.")


def test_where_nothing_meets_the_text_says_so() -> None:
    """And without a peak there is nothing to say."""
    none = Crossings((ray(),), (), (), (LOW_M_S, HIGH_M_S))
    expected = "No peak of the wake meets a mode of the car between 30 and 250 km/h."
    assert crossings_text(none, 30.0) == expected
    assert crossings_text(replace(none, rays=()), 30.0) == ""


MET_M_S = 100 / 3.6
MODE_HZ = WAKE_STROUHAL * MET_M_S / LENGTH_M
SHEET = f"""
[[mode]]
name = "bounce"
frequency = "{MODE_HZ:.6f} Hz"
damping = 0.1
modal_mass = "1000 kg"
shape = {{ z = 1.0 }}
[[mode]]
name = "sway"
frequency = "{MODE_HZ:.6f} Hz"
damping = 0.1
modal_mass = "1000 kg"
shape = {{ y = 1.0 }}
"""


@pytest.fixture(scope="module")
def rated(tmp_path_factory: pytest.TempPathFactory) -> Rating:
    """A wake of St 0.20 and Q 6 that meets a measured mode at 100 km/h; rated at 105 km/h."""
    folder = tmp_path_factory.mktemp("crossings")
    runs = [wind_on(str(i), speed) for i, speed in enumerate(SPEEDS_M_S, 1)]
    own = (ROOT / "demo_runs" / "vehicle.toml").read_text(encoding="utf-8")
    (folder / "vehicle.toml").write_text(own + SHEET, encoding="utf-8")
    analysis = analyse(open_campaign(write_runs(folder / "c", runs, CAMPAIGN)))
    car = known(read_vehicle(folder / "vehicle.toml"))
    return rate(analysis, RatingSettings(105 / 3.6, up_to_m_s=150 / 3.6, vehicle=car))


def only(rating: Rating) -> Crossing:
    """The campaign's one crossing."""
    (configuration,) = rating.configurations
    (one,) = configuration.crossings.met
    return one


def test_a_planted_wake_meets_a_measured_mode(rated: Rating) -> None:
    """At 100 km/h, by lift and not by the sway; neither rig nor lines are rays."""
    one = only(rated)
    assert (one.mode, one.ray.component, one.ray.name) == ("bounce", "lift", SCALES)
    assert one.ray.strouhal.value == pytest.approx(WAKE_STROUHAL, rel=0.02)
    assert one.ray.bandwidth == pytest.approx(1 / 6, rel=0.25)
    assert one.speed_m_s is not None
    assert one.speed_m_s.value == pytest.approx(MET_M_S, rel=0.02)
    assert one.at_rated_speed


def test_the_verdict_names_the_mode_that_is_met(rated: Rating) -> None:
    """Its sentence and the crossing speak of one mode, the measured one."""
    (configuration,) = rated.configurations
    assert configuration.shedding is not None
    assert configuration.shedding.mode == only(rated).mode
    assert "above the car's bounce mode (3.8 Hz)" in configuration.why
    text = " ".join(terminal.rating_text(rated).split())
    assert "meets the bounce mode (3.8 Hz) at" in text
    assert "so at 105 km/h too." in text


def test_crossings_in_json(rated: Rating) -> None:
    """Keys that scripts rely on."""
    document = json.loads(documents.dumps(documents.rating_document(rated)))
    (configuration,) = document["configurations"]
    (one,) = configuration["crossings"]
    assert (one["component"], one["mode"], one["at_rated_speed"]) == ("lift", "bounce", True)
    assert one["mode_frequency_hz"] == pytest.approx(MODE_HZ, rel=1e-5)
    assert one["speed_m_s"]["low"] < one["speed_m_s"]["value"] < one["speed_m_s"]["high"]
    assert one["strouhal"]["level"] == 0.95
    low, high = one["overlap_m_s"]
    assert LOW_M_S <= low < MET_M_S < high <= 150 / 3.6
    assert one["speed_why"] is None
    assert configuration["crossings_searched_m_s"] == pytest.approx([LOW_M_S, 150 / 3.6])


def test_the_shade_is_that_of_newton() -> None:
    """A mass on a spring under lift: q A |ω² / (m (ω0² - ω² + 2iζω0ω))|, by the printed Wk."""
    shape = (0.0, 0.0, 1.0, 0.0, 0.0, 0.0)
    vehicle = replace(HATCHBACK, modes=(MeasuredMode("bounce", 2.0, 0.2, 1000.0, shape),))
    speeds = np.array([20.0, 40.0])
    hz = np.array([1.0, 2.0, 4.0, 8.0])
    value = seat_per_coefficient(RideSetting(vehicle, GOOD_MOTORWAY, WHOLE, speeds), "vertical", hz)
    omega, own = 2 * np.pi * hz, 4 * np.pi
    answer = omega**2 / (1000.0 * np.abs(own**2 - omega**2 + 0.4j * own * omega))
    # 20 °C, 101 325 Pa, 50 %: CIPM-2007, kg/m³ (tests/published/air.csv).
    load_n = 0.5 * 1.1993139 * speeds**2 * 2.1
    expected = load_n[:, None] * answer * printed_factors("Wk", hz)
    assert value is not None
    np.testing.assert_allclose(value, expected, rtol=2e-3)


def test_a_car_that_tells_nothing_of_lateral_motion_has_no_shade() -> None:
    """Its sheet lacks what roll and yaw need."""
    setting = RideSetting(HATCHBACK, GOOD_MOTORWAY, WHOLE, np.array([20.0, 40.0]))
    assert seat_per_coefficient(setting, "lateral", np.array([1.0, 2.0])) is None


def test_figures_of_a_rating(rated: Rating, tmp_path: Path) -> None:
    """One as a picture, both as pages of a PDF."""
    draw_rating(rated, ("crossings",), tmp_path / "crossings.svg")
    draw_rating(rated, ("speed", "crossings"), tmp_path / "both.pdf")
    assert (tmp_path / "crossings.svg").stat().st_size > 10_000
    assert b"/Count 2" in (tmp_path / "both.pdf").read_bytes()


def test_the_page_draws_and_tells_crossings(rated: Rating) -> None:
    """A figure with its text alternative, a caption, and the car's modes below."""
    page = report_html(None, rated, [])
    (described,) = re.findall(r'<desc id="crossing-0-desc">([^<]+)<', page)
    one = only(rated)
    assert one.speed_m_s is not None
    met = f"meets the bounce mode (3.8 Hz) at {one.speed_m_s.value * 3.6:.1f} ("
    assert met in described
    assert 'role="img" aria-labelledby="crossing-0-title crossing-0-desc"' in page
    assert any(met in caption for caption in re.findall(r"<figcaption>(.*?)</figcaption>", page))
    assert "whether the car's motion would then hold the wake" in unescape(page)
    assert "Its modes at 105 km/h: bounce 3.8 Hz, sway 3.8 Hz." in page


def test_labels_of_a_full_diagram_do_not_touch(rated: Rating) -> None:
    """All modes of a car, two of them near one another, and three peaks in each panel."""
    (configuration,) = rated.configurations
    rays = tuple(ray(st, 0.1, family) for family in FAMILIES for st in (0.1, 0.2, 0.35))
    modes = mode_curves(LATERAL, LOW_M_S, HIGH_M_S)
    met = crossings(rays, modes, 105 / 3.6)
    full = replace(configuration, crossings=Crossings(rays, modes, met, (LOW_M_S, HIGH_M_S)))
    with drawing():
        figure = crossing_figure(replace(rated, configurations=(full,)))
        figure.draw_without_rendering()
        for axes in figure.axes[:2]:
            level = [text for text in axes.texts if not text.get_rotation()]
            boxes = [text.get_window_extent() for text in level]
            assert len(boxes) > 5
            touching = [(a, b) for i, a in enumerate(boxes) for b in boxes[:i] if a.overlaps(b)]
            assert not touching
            assert max(box.x1 for box in boxes) <= figure.bbox.x1


def test_one_wind_speed_cannot_follow_a_peak(rated: Rating) -> None:
    """The peak that the run names the wake's own stands in, and is said to be taken to scale."""
    alone = follow([rated.results[1]])
    (own,) = rays_of(alone, LENGTH_M)
    assert (own.component, own.name) == ("lift", UNDECIDED)
    assert alone[0].strouhal is not None  # here the rig's, which alone cannot be told from flow
    assert own.strouhal.value == pytest.approx(alone[0].strouhal.value)
    assert ray_text(own).endswith(", taken to scale)")


def test_a_figure_needs_a_picture() -> None:
    """Refused before anything is read."""
    arguments = ["rate", "nowhere", "--speed", "100 km/h", "--figure", "crossings"]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 2
    assert "--figure needs a picture: -o FILE with .png, .svg, .pdf" in result.stderr
