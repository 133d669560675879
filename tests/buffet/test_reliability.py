"""Probabilities over simulated campaigns, the quick form of `tests.thorough reliability`."""

import numpy as np

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


def test_tenths_and_their_largest_deviation() -> None:
    """By hand: 0.25 said four times and true once, 0.95 said twice and true once."""
    found = Said(
        np.array([0.25, 0.25, 0.25, 0.25, 0.95, 0.95]),
        np.array([True, False, False, False, True, False]),
    )
    assert found.bins[2].tolist() == [0.25, 0.25, 4.0]
    assert found.bins[9].tolist() == [0.95, 0.5, 2.0]
    assert abs(found.largest_deviation - 0.45) < 1e-12
