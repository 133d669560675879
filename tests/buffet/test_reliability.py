"""Probabilities over simulated campaigns, the quick form of `tests.thorough reliability`."""

import numpy as np

from tests.thorough.ranked import ranked_pairs
from tests.thorough.records import PEAKY
from tests.thorough.reliability import Said, said
from tests.thorough.simulated import CampaignKind


def test_limits_are_exceeded_as_often_as_said() -> None:
    """As many of 120 as the probabilities add up to, within three standard errors."""
    found = said(CampaignKind("peaky", PEAKY, others=2), 120)
    p = found.probability
    error = np.sqrt(np.sum(p * (1 - p)))

    assert len(p) >= 110
    assert np.sum((p > 0.05) & (p < 0.95)) > 15
    assert abs(found.exceeded.sum() - p.sum()) < 3 * error


def test_of_two_the_one_is_felt_less_as_often_as_said() -> None:
    """With the same car in both; pairs that are alike are called different by chance alone."""
    found = ranked_pairs(CampaignKind("peaky", PEAKY, repeats=2, scatter=0.03, others=2), 80)
    p = found.said.probability
    error = np.sqrt(np.sum(p * (1 - p)))

    assert len(p) >= 75
    assert np.sum((p > 0.05) & (p < 0.95)) > 30
    assert abs(found.said.exceeded.sum() - p.sum()) < 3 * error
    # Of 80 with a chance of 5 %, more than 11 come up once in 1,600 seeds.
    assert np.sum(found.p_values < 0.05) <= 11


def test_tenths_and_their_largest_deviation() -> None:
    """By hand: 0.25 said four times and true once, 0.95 said twice and true once."""
    found = Said(
        np.array([0.25, 0.25, 0.25, 0.25, 0.95, 0.95]),
        np.array([True, False, False, False, True, False]),
    )
    assert found.bins[2].tolist() == [0.25, 0.25, 4.0]
    assert found.bins[9].tolist() == [0.95, 0.5, 2.0]
    assert abs(found.largest_deviation - 0.45) < 1e-12
