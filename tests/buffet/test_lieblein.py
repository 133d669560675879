"""Lieblein's estimates against his printed tables and what is known of order statistics."""

import csv
from pathlib import Path

import numpy as np
import pytest

from buffet.extremes.order_statistics import blue, moments

PUBLISHED = Path(__file__).parent.parent / "published"
# Of the reduced Gumbel variate (any textbook): its mean is Euler's constant.
EULER, VARIANCE = 0.5772156649015329, np.pi**2 / 6


def rows(name: str) -> list[dict[str, str]]:
    """A published table, values as printed."""
    with (PUBLISHED / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", rows("lieblein.csv"), ids=lambda r: f"{r['n']} {r['weights']}")
def test_weights_are_those_of_the_printed_tables(row: dict[str, str]) -> None:
    """To two in the sixth decimal: the tables' own last digits are off by up to as much."""
    found = blue(int(row["n"]))
    weights = found.mode_weights if row["weights"] == "mode" else found.scale_weights
    printed = [float(value) for value in row["values"].split()]
    np.testing.assert_allclose(weights, printed, rtol=0, atol=2e-6)


@pytest.mark.parametrize(
    ("n", "mode", "scale", "covariance"),
    [(10, 0.112973, 0.071573, 0.021976), (16, 0.070077, 0.042235, None)],
)
def test_variances_are_those_of_an_independent_calculation(
    n: int, mode: float, scale: float, covariance: float | None
) -> None:
    """Worked out with another program from the same definition."""
    found = blue(n)
    assert found.mode_variance == pytest.approx(mode, abs=1e-6)
    assert found.scale_variance == pytest.approx(scale, abs=1e-6)
    if covariance is not None:
        assert found.covariance == pytest.approx(covariance, abs=1e-6)


@pytest.mark.parametrize("n", [4, 17, 24, 64])
def test_moments_obey_what_is_known_of_them(n: int) -> None:
    """Largest of n: mean γ + ln n, variance π²/6. All n together: mean n γ, variance n π²/6."""
    means, covariances = moments(n)
    assert means[-1] == pytest.approx(EULER + np.log(n), abs=1e-9)
    assert covariances[-1, -1] == pytest.approx(VARIANCE, abs=1e-8)
    assert means.sum() == pytest.approx(n * EULER, abs=1e-8)
    assert covariances.sum() == pytest.approx(n * VARIANCE, abs=1e-7 * n)
    assert np.all(np.diff(means) > 0)


@pytest.mark.parametrize("n", [4, 13, 24])
def test_estimates_of_drawn_maxima_scatter_as_they_say(n: int) -> None:
    """Mode 3 and scale 2 without bias; variances within 5 %, four times what 40,000 draws leave."""
    rng = np.random.default_rng(n)
    drawn = np.sort(rng.gumbel(3.0, 2.0, (40_000, n)), axis=1)
    found = blue(n)
    mode, scale = drawn @ found.mode_weights, drawn @ found.scale_weights
    assert mode.mean() == pytest.approx(3.0, abs=0.03)
    assert scale.mean() == pytest.approx(2.0, abs=0.03)
    assert mode.var() == pytest.approx(4 * found.mode_variance, rel=0.05)
    assert scale.var() == pytest.approx(4 * found.scale_variance, rel=0.05)


def test_too_few_maxima_are_refused() -> None:
    """Three tell no spread."""
    with pytest.raises(ValueError, match="wanted 4 to 64"):
        blue(3)
