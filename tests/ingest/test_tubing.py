"""The response of tubes: the published model's table, its limits, and the gas solved on a grid."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest.tubing import Gas, Tube, gas_at, tubes_response
from ingest.tubing_band import corrected_to_hz, longest_tubing_m

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

PUBLISHED = Path(__file__).parents[1] / "published" / "tubing.csv"
ROWS = list(csv.DictReader(PUBLISHED.read_text(encoding="utf-8").splitlines()))

# The table's gas: 288.15 K, R = 287.05 J/(kg K), 1.82e-5 Pa s.
ATM_PA, RT = 101325.0, 287.05 * 288.15
GAS = gas_at(ATM_PA / RT, ATM_PA, 1.82e-5)
FINE_HZ = np.arange(1, 12_001) / 100


def pieces_of(row: dict[str, str]) -> list[Tube]:
    """The row's one or two tubes."""
    polytropic = float(row["polytropic"])
    found = []
    for end in ("", "_2"):
        if row[f"length{end}_mm"]:
            length, radius = float(row[f"length{end}_mm"]), float(row[f"radius{end}_mm"])
            volume = float(row[f"volume{end}_mm3"])
            found.append(Tube(1e-3 * length, 2e-3 * radius, 1e-9 * volume, polytropic))
    return found


def quantity_of(row: dict[str, str]) -> float:
    """What the row prints, of our response."""
    pressure_pa = ATM_PA * float(row["pressure_atm"])
    gas = gas_at(pressure_pa / RT, pressure_pa, 1.82e-5)
    if row["quantity"] == "response":
        at = np.array([float(row["at_hz"])])
        return float(np.abs(tubes_response(at, pieces_of(row), gas))[0])
    response = tubes_response(FINE_HZ, pieces_of(row), gas)
    size = np.abs(response)
    peak = int(np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] > size[2:]))[0]) + 1
    if row["quantity"] == "response at first peak":
        return float(size[peak])
    place = {
        "first peak": peak,
        "five per cent off": int(np.argmax(np.abs(size - 1) > 0.05)),
        "a quarter turn late": int(np.argmax(np.unwrap(np.angle(response)) < -np.pi / 2)),
    }
    return float(FINE_HZ[place[row["quantity"]]])


def named(row: dict[str, str]) -> str:
    """Label of a row in the list of tests."""
    return " ".join(filter(None, list(row.values())[:10]))


@pytest.mark.parametrize("row", ROWS, ids=named)
def test_responses_have_the_printed_values(row: dict[str, str]) -> None:
    """Every row within the last printed digit."""
    assert quantity_of(row) == pytest.approx(float(row["printed"]), abs=float(row["tolerance"]))


def solved_on_a_grid(frequency_hz: float, tube: Tube, gas: Gas, n: int = 600) -> complex:
    """The same gas without a Bessel function: profiles and wave by finite differences.

    Across the bore, i ω ρ u = -p' + μ ∇²u and i ω ρ c_p T = i ω p + k ∇²T, both zero at the wall;
    along it, the flow A ū carries what the volume takes, i ω p V / (k p0). ρ'/ρ = p/p0 - T/T0.
    """
    omega, radius = 2 * np.pi * frequency_hz, tube.diameter_m / 2
    middle = (np.arange(n) + 0.5) * radius / n  # rings, of which the flow sums
    edge = np.arange(n + 1) * radius / n
    step = radius / n
    outward, inward = edge[1:] / middle / step**2, edge[:-1] / middle / step**2
    outward[-1] *= 2  # the wall is half a step away
    share = 2 * middle * step / radius**2

    def mean_of(diffusivity: float) -> complex:
        """Mean over the bore of w, where i ω w = i ω + d ∇²w, w = 0 at the wall."""
        bands = np.zeros((3, n), complex)
        bands[0, 1:] = -diffusivity * outward[:-1]
        bands[1] = 1j * omega + diffusivity * (outward + inward)
        bands[2, :-1] = -diffusivity * inward[1:]
        return complex(share @ scipy.linalg.solve_banded((1, 1), bands, np.full(n, 1j * omega)))

    viscous = mean_of(gas.viscosity_pa_s / gas.density_kg_m3)
    thermal = mean_of(gas.viscosity_pa_s / gas.density_kg_m3 / gas.prandtl)
    p0 = gas.density_kg_m3 * gas.sound_speed_m_s**2 / gas.gamma
    # ū = -viscous p' / (i ω ρ); i ω (ρ'/ρ) = -ū', with T/T0 = (γ-1)/γ p/p0 thermal
    mobility = viscous / (1j * omega * gas.density_kg_m3)
    squeeze = 1j * omega / p0 * (1 - (gas.gamma - 1) / gas.gamma * thermal)
    h = tube.length_m / n
    bands = np.zeros((3, n), complex)  # p at h, 2 h, ..., L; p = 1 at the tap
    bands[0, 1:] = bands[2, :-1] = mobility / h
    bands[1] = -2 * mobility / h - squeeze * h
    area = np.pi * radius**2
    bands[1, -1] = -mobility / h - squeeze * h / 2
    bands[1, -1] -= 1j * omega * tube.volume_m3 / (tube.polytropic * p0 * area)
    known = np.zeros(n, complex)
    known[0] = -mobility / h
    return complex(scipy.linalg.solve_banded((1, 1), bands, known)[-1])


@pytest.mark.parametrize("frequency_hz", [1.0, 20.0, 60.0, 150.0])
@pytest.mark.parametrize(
    "tube",
    [
        Tube(0.5, 1.0e-3, 300e-9),
        Tube(1.0, 2.5e-3, 300e-9),
        Tube(1.0, 1.5e-3, 100e-9, polytropic=1.0),
        Tube(2.0, 0.5e-3, 0.0),
    ],
)
def test_the_model_is_the_gas_solved_on_a_grid(tube: Tube, frequency_hz: float) -> None:
    """Momentum, heat and mass by finite differences, in size and phase."""
    (found,) = tubes_response(np.array([frequency_hz]), [tube], GAS)
    # 600 steps: second order, and the thinnest tube holds some thirty waves' worth of decay
    assert found == pytest.approx(solved_on_a_grid(frequency_hz, tube, GAS), rel=2e-3, abs=1e-6)


sizes = st.tuples(st.floats(0.05, 3.0), st.floats(0.3e-3, 4e-3), st.floats(0, 1e-6))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(sizes, min_size=1, max_size=3),
    st.lists(st.floats(0.02, 0.98), min_size=1, max_size=4),
    st.integers(0, 2),
)
def test_a_tube_cut_in_pieces_is_the_same_tube(
    tubes: list[tuple[float, float, float]], cuts: list[float], which: int
) -> None:
    """Without volumes between the pieces, wherever the cuts, whatever stands before and behind."""
    whole = [Tube(*size) for size in tubes]
    cut = whole[which % len(whole)]
    ends = [0.0, *sorted(cuts), 1.0]
    lengths = [(b - a) * cut.length_m for a, b in itertools.pairwise(ends) if b > a]
    parts = [Tube(length, cut.diameter_m) for length in lengths]
    parts[-1] = Tube(lengths[-1], cut.diameter_m, cut.volume_m3)
    place = which % len(whole)
    in_pieces = [*whole[:place], *parts, *whole[place + 1 :]]
    frequency_hz = np.geomspace(0.1, 400, 40)

    ours = tubes_response(frequency_hz, in_pieces, GAS)
    np.testing.assert_allclose(ours, tubes_response(frequency_hz, whole, GAS), rtol=1e-11)


def test_a_metre_in_two_or_three_pieces() -> None:
    """250 + 750 and 200 + 300 + 500 mm are 1000 mm, to rounding."""
    at = np.linspace(0, 300, 601)
    whole = tubes_response(at, [Tube(1.0, 1.5e-3, 300e-9)], GAS)
    for cuts in ((0.25, 0.75), (0.2, 0.3, 0.5)):
        parts = [*(Tube(cut, 1.5e-3) for cut in cuts[:-1]), Tube(cuts[-1], 1.5e-3, 300e-9)]
        np.testing.assert_allclose(tubes_response(at, parts, GAS), whole, rtol=1e-12)


@pytest.mark.parametrize(
    "tube", [Tube(1.0, 0.5e-3, 300e-9), Tube(0.3, 1e-3, 50e-9), Tube(2.0, 2e-3, 0.0, 1.0)]
)
def test_slow_changes_lag_as_in_a_viscous_flow(tube: Tube) -> None:
    """τ = 8 μ L / (π R⁴ p0) · (V/k + V_t/2): Poiseuille flow that fills volume and tube."""
    radius = tube.diameter_m / 2
    own_m3 = np.pi * radius**2 * tube.length_m
    poiseuille = 8 * 1.82e-5 * tube.length_m / (np.pi * radius**4)
    lag_s = poiseuille / ATM_PA * (tube.volume_m3 / tube.polytropic + own_m3 / 2)

    (found,) = tubes_response(np.array([1e-4]), [tube], GAS)
    assert -np.angle(found) / (2e-4 * np.pi) == pytest.approx(lag_s, rel=1e-4)


def test_a_wide_tube_is_an_organ_pipe() -> None:
    """Closed at the sensor: a / 4L = 85.07 Hz for 1 m, less what the boundary layers slow it by.

    Their part, δ / (2 R) (1 + (γ-1) / √Pr) with δ = √(2 ν / ω), is 0.9 % at R = 20 mm (Kirchhoff's
    wide-tube limit; Tijdeman 1975, J. Sound Vib. 39, 1-33).
    """
    size = np.abs(tubes_response(FINE_HZ, [Tube(1.0, 0.04)], GAS))
    ideal_hz = GAS.sound_speed_m_s / 4
    layer_m = np.sqrt(2 * GAS.viscosity_pa_s / GAS.density_kg_m3 / (2 * np.pi * ideal_hz))
    slowed = layer_m / (2 * 0.02) * (1 + 0.4 / np.sqrt(0.707))

    assert ideal_hz == pytest.approx(85.07, abs=0.005)
    assert FINE_HZ[np.argmax(size)] == pytest.approx(ideal_hz * (1 - slowed), abs=0.02)


@pytest.mark.parametrize("diameter_m", [1e-4, 1e-3, 0.05])
@pytest.mark.parametrize("length_m", [0.01, 1.0, 100.0])
def test_nothing_overflows(length_m: float, diameter_m: float) -> None:
    """From a microhertz's millionth to a terahertz: finite, and 1 at rest."""
    at = np.concatenate([[0.0], np.geomspace(1e-12, 1e12, 200)])
    with np.errstate(over="raise", divide="raise", invalid="raise"):
        found = tubes_response(at, [Tube(length_m, diameter_m, 1e-6)], GAS)
    assert np.all(np.isfinite(found))
    assert found[0] == 1
    assert found[1] == pytest.approx(1, abs=1e-6)


def test_the_phase_is_continuous_and_falls() -> None:
    """No jump by π anywhere: the square roots stay on one side."""
    for tube in (Tube(3.0, 0.3e-3, 1e-6), Tube(1.0, 2.5e-3, 300e-9), Tube(0.5, 0.01)):
        at = np.geomspace(0.01, 2000, 20_000)
        response = tubes_response(at, [tube], GAS)
        steps = np.angle(response[1:] / response[:-1])
        assert steps.max() < 1e-6
        assert steps.min() > -0.7  # at resonance of the widest


def test_the_series_and_the_functions_meet() -> None:
    """Where the Bessel functions are taken over from by series, nothing jumps by more than 1e-9.

    Boundary layers in the radius: R √(ρ ω / μ) = 1e-4 and 1e4.
    """
    tube = Tube(0.01, 0.02)
    scale_hz = GAS.viscosity_pa_s / (GAS.density_kg_m3 * 2 * np.pi * (tube.diameter_m / 2) ** 2)
    for layers in (1e-4, 1e4, 1e-4 / np.sqrt(GAS.prandtl), 1e4 / np.sqrt(GAS.prandtl)):
        below, above = tubes_response(
            scale_hz * layers**2 * np.array([1 - 1e-14, 1 + 1e-14]), [tube], GAS
        )
        assert above == pytest.approx(below, rel=1e-9)


def test_the_band_ends_where_the_amplification_exceeds_its_bound() -> None:
    """|H| of 1 m, 0.5 mm radius falls to 0.5310 at 100 Hz (the table): 1 / 0.5310 as the bound."""
    tube = (Tube(1.0, 1e-3, 300e-9),)
    assert corrected_to_hz(tube, GAS, 1 / 0.5310, 500.0) == pytest.approx(100.0, abs=0.05)
    assert corrected_to_hz(tube, GAS, 1 / 0.5310, 80.0) == 80.0
    assert corrected_to_hz(tube, None, 1.0, 80.0) == 80.0


def test_a_shorter_tube_reaches_as_far_as_was_wanted() -> None:
    """The length found just reaches 150 Hz; a hundredth more does not."""
    tubes = (Tube(0.5, 0.5e-3, 100e-9), Tube(1.5, 1e-3, 300e-9))
    found = longest_tubing_m(tubes, GAS, 4.0, 150.0)
    assert found is not None
    for factor, reaches in ((1.0, True), (1.01, False)):
        share = factor * found / 2.0
        shorter = tuple(Tube(share * t.length_m, t.diameter_m, t.volume_m3) for t in tubes)
        assert (corrected_to_hz(shorter, GAS, 4.0, 150.0) >= 150.0) is reaches


def test_no_length_helps_a_hair_thin_tube() -> None:
    """50 µm before 1 cm³: fifteen millimetres lag by seconds."""
    assert longest_tubing_m((Tube(1.5, 5e-5, 1e-6),), GAS, 4.0, 150.0) is None
