"""Equal within a margin, and the least difference that is shown: scipy's tests, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from buffet.comparison_text import comparison_text
from buffet.pairs import Estimate
from buffet.rating.scatter import Scatter
from tests.buffet.report_campaign import comparison

NO_REPEATS = Scatter(0.0, 0.0, 0, {})


def difference(value: float, variance: float, freedom: float) -> Estimate:
    """Known by one part."""
    return Estimate(value, ((variance, freedom),), 1.0, NO_REPEATS)


@pytest.mark.parametrize("value", [0.0, 0.02, -0.04, 0.08])
def test_equivalence_is_two_one_sided_t_tests(value: float) -> None:
    """The larger p-value of scipy's one-sided tests of two samples moved by the margin."""
    rng = np.random.default_rng(2)
    one, other = rng.normal(0, 0.05, 9), rng.normal(0, 0.03, 14)
    one += value - one.mean() + other.mean()
    parts = tuple((float(x.var(ddof=1)) / len(x), len(x) - 1.0) for x in (one, other))
    found = Estimate(float(one.mean() - other.mean()), parts, 1.0, NO_REPEATS)
    margin = 0.05
    above = stats.ttest_ind(one + margin, other, equal_var=False, alternative="greater").pvalue
    below = stats.ttest_ind(one - margin, other, equal_var=False, alternative="less").pvalue

    assert found.equivalence_p_value(margin) == pytest.approx(max(above, below), rel=1e-9)


def test_the_least_difference_that_is_shown_is_shown_in_four_of_five() -> None:
    """True differences of that size, 4,000 times, by the t-test itself (12 degrees of freedom)."""
    rng = np.random.default_rng(3)
    variance, freedom = 0.04, 12
    least = difference(0.0, variance, freedom).detectable()
    values = rng.normal(least, np.sqrt(variance), 4000)
    spread = np.sqrt(variance * rng.chisquare(freedom, 4000) / freedom)
    shown = 2 * stats.t.sf(np.abs(values / spread), freedom) < 0.05

    # The rule of thumb of both fractiles is a little generous with few degrees of freedom.
    assert shown.mean() == pytest.approx(0.8, abs=0.03)
    # A textbook's: 2.8 standard errors where the spread is known (1.960 + 0.842).
    known = difference(0.0, 1.0, 1e9)
    assert known.detectable() == pytest.approx(2.802, abs=0.001)


def test_a_margin_within_the_error_shows_nothing() -> None:
    """Nor does a value beyond it; without any error the answer is certain."""
    assert difference(0.0, 1.0, 50.0).equivalence_p_value(0.05) > 0.4
    assert difference(0.2, 1e-6, 50.0).equivalence_p_value(0.05) > 0.999
    assert difference(0.01, 0.0, 50.0).equivalence_p_value(0.05) == 0.0
    assert difference(0.06, 0.0, 50.0).equivalence_p_value(0.05) == 1.0


def test_findings_of_a_comparison() -> None:
    """Each ratio is different, equal, or open, with the change that the campaign would show."""
    found = comparison()
    text = comparison_text(found)

    assert "finding" in text
    for add_on in found.add_ons:
        assert set(add_on.equivalence_p_value) == set(add_on.p_value) == set(add_on.detectable)
        for word, change in add_on.detectable.items():
            assert 0 < change < 2, word
            # What is shown to be different by more than the margin is not equal within it.
            if add_on.p_value[word] < 0.05 and abs(np.log(add_on.rms_ratio[word].value)) > 0.05:
                assert add_on.equivalence_p_value[word] > 0.05
    # The wing's lift fluctuates a sixth as much: a difference beyond doubt.
    assert "different" in text
