"""Of two configurations, how often the one is felt less that is said to be, with probability p."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.rating.car_spread import drawn_cars
from buffet.rating.ranking import shares_of
from tests.thorough.alarms import LEVEL
from tests.thorough.onset_coverage import ONSET_M_S, OnsetScene
from tests.thorough.parallel import in_pieces
from tests.thorough.reliability import AT_ONCE, SAID_KINDS, Said, curves_of, print_tenths
from tests.thorough.simulated import CampaignKind, campaigns

Array = NDArray[np.float64]

# True ratios lie evenly, on the logarithm, within so much of one.
REACH = 0.1


@dataclass(frozen=True)
class RankedPairs:
    """Pairs with a ratio that was planted, and p-values of pairs that are alike."""

    said: Said  # that the first is felt less
    p_values: Array  # (n,), of no difference where there is none


def ranked_pairs(kind: CampaignKind, n: int, seed: int = 90) -> RankedPairs:
    """One pair a campaign; a factor of all that is felt adds to the logarithm alone."""
    rng = np.random.default_rng(seed)
    scene = OnsetScene.of(kind.record)
    setting = replace(scene.setting, speeds_m_s=np.array([ONSET_M_S]))
    drawn = drawn_cars(setting)
    probability, less, p_values = [], [], []
    for start in range(0, n, AT_ONCE):
        for number, analysis in enumerate(campaigns(kind, min(AT_ONCE, n - start), rng), start):
            curves = curves_of(analysis, scene, setting, drawn)
            if len(curves) < 2:
                continue
            # Names that are new each time draw anew, as those of another campaign would.
            a, b = (shares_of(f"{n}{number}{seed}", [c], 0) for n, c in curves.items())
            away = float(rng.uniform(-REACH, REACH))
            probability.append(float(np.mean(a < b * np.exp(away))))
            less.append(away > 0)
            below = float(np.mean(a < b))
            p_values.append(2 * min(below, 1 - below))
    return RankedPairs(Said(np.array(probability), np.array(less, bool)), np.array(p_values))


def print_ranked(n_campaigns: int) -> None:
    """False alarms of every kind, then the tenths of what was said."""
    every = []
    for kind, pieces in in_pieces(ranked_pairs, SAID_KINDS, -(-n_campaigns // len(SAID_KINDS))):
        p_values = np.concatenate([piece.p_values for piece in pieces])
        every += [piece.said for piece in pieces]
        share = np.mean(p_values < LEVEL)
        print(f"{kind.name:32} p < {LEVEL:g} in {share:5.1%} of {len(p_values)}", flush=True)
    print_tenths(Said.together(every), "ranking")
