"""Open cabins: Helmholtz and shear-layer frequencies, and the speeds at which they meet."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buffet.cabin import FREE_END, Cabin, Opening, OpeningError, ShearLayer, meetings

PUBLISHED = Path(__file__).parents[1] / "published"
INCH_M = 0.0254
SUNROOF = ShearLayer(length_m=0.4, sound_speed_m_s=340.0)


def _rows(file: str) -> list[dict[str, str]]:
    with (PUBLISHED / file).open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize(
    "row", _rows("shear_layer.csv"), ids=lambda row: f"{row['speed_m_s']}-{row['mode']}"
)
def test_shear_layer_frequencies_are_as_printed(row: dict[str, str]) -> None:
    """A textbook's example, and values worked out by someone else; to the last digit."""
    layer = ShearLayer(float(row["length_m"]), float(row["sound_speed_m_s"]))

    found = layer.frequencies_hz(float(row["speed_m_s"]), 3)[int(row["mode"]) - 1]

    decimals = len(row["frequency_hz"].partition(".")[2])
    assert found == pytest.approx(float(row["frequency_hz"]), abs=0.5 * 10.0**-decimals + 1e-9)


@pytest.mark.parametrize(
    ("neck_inch", "volume_m3", "printed_hz", "decimals"),
    [(7.0, 1.5e-3, "56.4", 1), (3.0, 12 * 29.5735e-6, "177", 0)],
)
def test_bottles_sound_as_worked_out(
    neck_inch: float, volume_m3: float, printed_hz: str, decimals: int
) -> None:
    """Two bottles, 3/4 inch wide, 343 m/s, no end corrections ("Pitch of a big wine bottle", 2021).

    A worked example from the literature for bare necks; textbooks' answers were not at hand.
    """
    mouth = Opening(np.pi * (0.375 * INCH_M) ** 2, neck_inch * INCH_M, end_radii=(0.0, 0.0))

    found = Cabin(volume_m3, (mouth,), 343.0).helmholtz_hz

    assert found == pytest.approx(float(printed_hz), abs=0.5 * 10.0**-decimals)


def test_a_cabin_with_an_open_roof() -> None:
    """3 m³, 0.3 m² in 2 mm of sheet at 20 °C: 23.8 Hz, worked out independently with 1.7 r."""
    cabin = Cabin(3.0, (Opening(0.3, 0.002),), 343.2)

    assert cabin.helmholtz_hz == pytest.approx(23.8, abs=0.05)


def test_a_thin_hole_lies_just_below_rayleighs_bound() -> None:
    """A hole in a thin wall conducts its diameter (Rayleigh 1870); end corrections give less."""
    radius = 0.2
    bound = 340 / (2 * np.pi) * np.sqrt(2 * radius / 3.0)

    found = Cabin(3.0, (Opening(np.pi * radius**2),), 340.0).helmholtz_hz

    assert 0.95 * bound < found < bound


def test_openings_side_by_side_move_as_masses_on_one_spring() -> None:
    """The eigenvalue of two plugs of air on the cabin's stiffness ρ c² S S' / V."""
    density, sound, volume = 1.2, 340.0, 3.2
    openings = (
        Opening(0.05, 0.02, (0.0, 0.0)),
        Opening(0.2, 0.05, (FREE_END, FREE_END)),
    )
    areas = np.array([0.05, 0.2])
    lengths = np.array([0.02, 0.05 + 2 * 0.6133 * np.sqrt(0.2 / np.pi)])
    stiffness = density * sound**2 / volume * np.outer(areas, areas)
    eigenvalues = np.linalg.eigvals(stiffness / (density * areas * lengths)[:, None])

    found = Cabin(volume, openings, sound).helmholtz_hz

    assert found == pytest.approx(np.sqrt(eigenvalues.real.max()) / (2 * np.pi))


def test_units_of_lengths() -> None:
    """All lengths doubled halve every frequency and leave the speed of meeting alone."""
    small = Cabin(3.0, (Opening(0.3, 0.01),), 340.0)
    large = Cabin(24.0, (Opening(1.2, 0.02),), 340.0)
    layer = replace(SUNROOF, length_m=0.8)

    assert large.helmholtz_hz == pytest.approx(small.helmholtz_hz / 2)
    assert layer.frequencies_hz(25.0, 3) == pytest.approx(SUNROOF.frequencies_hz(25.0, 3) / 2)
    assert layer.meeting(1, large.helmholtz_hz).speed_m_s == pytest.approx(
        SUNROOF.meeting(1, small.helmholtz_hz).speed_m_s
    )


@pytest.mark.parametrize("heat_ratio", [None, 1.4])
@pytest.mark.parametrize("frequency_hz", [12.0, 24.0, 60.0])
def test_where_they_meet_they_have_one_frequency(
    frequency_hz: float, heat_ratio: float | None
) -> None:
    """Back at the speed of meeting, the mode has the frequency, and so at the range's ends."""
    layer = replace(SUNROOF, heat_ratio=heat_ratio)

    for found in meetings(layer, frequency_hz, 3):
        speeds = (found.low_m_s, found.speed_m_s, found.high_m_s)
        for speed, convection in zip(speeds, (0.63, 0.57, 0.51), strict=True):
            assert speed is not None
            one = replace(layer, convection=convection)
            there = one.frequencies_hz(speed, 3)[found.mode - 1]
            assert there == pytest.approx(frequency_hz, rel=1e-9)
        assert list(speeds) == sorted(speeds)  # type: ignore[type-var]


def test_higher_modes_meet_it_earlier() -> None:
    """Mode 2 does at less than half the speed of mode 1, since (2 - α) / (1 - α) = 2.33."""
    first, second = meetings(SUNROOF, 20.0, 2)

    assert first.speed_m_s is not None
    assert second.speed_m_s is not None
    assert second.speed_m_s < first.speed_m_s / 2


def test_what_is_never_met() -> None:
    """At 340 m/s mode 1 of 0.4 m would need more than the speed of sound for 300 Hz."""
    found = SUNROOF.meeting(1, 300.0)

    assert found.speed_m_s is found.low_m_s is found.high_m_s is None


def test_a_warm_cavity_closes_its_loop_in_whole_periods() -> None:
    """Eddies across at κV and sound back at the stagnation temperature take m - α periods."""
    speed, layer = 170.0, replace(SUNROOF, heat_ratio=1.4)
    warmer = 1 + 0.2 * 0.5**2  # stagnation over static temperature at Mach 0.5
    loop_s = 0.4 / (0.57 * speed) + 0.4 / (340 * np.sqrt(warmer))

    found = layer.frequencies_hz(speed, 2)

    assert found * loop_s == pytest.approx([0.75, 1.75])
    assert (found > SUNROOF.frequencies_hz(speed, 2)).all()


def test_speeds_come_first_and_modes_last() -> None:
    """Any shape of speeds."""
    assert SUNROOF.frequencies_hz(np.full((4, 2), 20.0), 3).shape == (4, 2, 3)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: Opening(0.0, 0.1), "an opening of 0 m².*area above 0"),
        (lambda: Opening(0.1, 0.0, (0.0, 0.0)), "that are not all 0"),
        (lambda: Opening(0.1, -0.1), "neck of -0.1 m"),
        (lambda: Cabin(3.0, (), 340.0), "3 m³ with 0 openings.*at least one opening"),
        (lambda: Cabin(0.0, (Opening(0.1),), 340.0), "a cabin of 0 m³"),
        (lambda: ShearLayer(0.0, 340.0), "a shear layer of 0 m at"),
        (lambda: ShearLayer(0.4, 340.0, lag=1.0), "with a lag of 1 cannot"),
        (lambda: ShearLayer(0.4, 340.0, 0.4), "at 0.4 of the wind's.*range within 0 to 1"),
        (lambda: SUNROOF.frequencies_hz([20.0, 0.0], 2), "2 modes and 0 to 20 m/s"),
        (lambda: SUNROOF.frequencies_hz(20.0, 0), "0 modes"),
        (lambda: SUNROOF.frequencies_hz(350.0, 1), "below 340 m/s"),
        (lambda: SUNROOF.meeting(0, 20.0), "got mode 0 and 20 Hz"),
        (lambda: SUNROOF.meeting(1, 0.0), "got mode 1 and 0 Hz"),
    ],
)
def test_what_cannot_be_is_refused(make, told: str) -> None:  # type: ignore[no-untyped-def]
    """With what was given and what is wanted."""
    with pytest.raises(OpeningError, match=told):
        make()
