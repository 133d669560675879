"""How often two configurations without a difference are called different."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from buffet.pairs import Pair, Spreads
from tests.thorough.parallel import in_pieces
from tests.thorough.records import PEAKY, WHITE, Kind
from tests.thorough.simulated import WORD, CampaignKind, campaigns

AT_ONCE = 50  # campaigns made together
LEVEL = 0.05

BURSTS = Kind("bursts", 1.0, loud_s=0.5, quiet_s=1.5)
ALARM_KINDS = (
    CampaignKind("white", WHITE),
    CampaignKind("peaky, Q 12", PEAKY),
    CampaignKind("bursts", BURSTS),
    CampaignKind("white, wind-off noise", WHITE, noise=0.5),
    CampaignKind("white, 2 repeats, 2 %", WHITE, repeats=2, scatter=0.02),
    CampaignKind("white, 3 repeats, 2 %", WHITE, repeats=3, scatter=0.02),
    CampaignKind("peaky, 2 repeats, 2 %", PEAKY, repeats=2, scatter=0.02),
    CampaignKind("peaky, 3 repeats, 2 %", PEAKY, repeats=3, scatter=0.02),
    CampaignKind("peaky, 3 repeats, none", PEAKY, repeats=3),
    CampaignKind("bursts, 3 repeats, 2 %", BURSTS, repeats=3, scatter=0.02),
    CampaignKind("white of 4, 2 repeats, 2 %", WHITE, repeats=2, scatter=0.02, others=2),
    CampaignKind("white, 2 repeats, 2 %, noise", WHITE, repeats=2, scatter=0.02, noise=0.5),
)


@dataclass
class Alarms:
    """p-values of pairs that differ by chance alone, one kind; none where no estimate was."""

    rms_ratio: list[float] = field(default_factory=list)
    mean_difference: list[float] = field(default_factory=list)

    def percent(self, which: str) -> float:
        """Share of pairs called different at the 5 % level."""
        return 100 * float(np.mean(np.array(getattr(self, which)) < LEVEL))

    def add(self, other: Alarms) -> None:
        """Take in another's."""
        self.rms_ratio += other.rms_ratio
        self.mean_difference += other.mean_difference


def alarms(kind: CampaignKind, n_pairs: int, seed: int = 5) -> Alarms:
    """p-values of `n_pairs` pairs, as the product computes them."""
    rng = np.random.default_rng(seed)
    found = Alarms()
    for start in range(0, n_pairs, AT_ONCE):
        for analysis in campaigns(kind, min(AT_ONCE, n_pairs - start), rng):
            pair = Pair(analysis, "b", "a", Spreads.of(analysis, (WORD,)))
            ratio, difference = pair.log_ratio(WORD), pair.difference(WORD)
            found.rms_ratio += [] if ratio is None else [ratio.p_value()]
            found.mean_difference += [] if difference is None else [difference.p_value()]
    return found


def print_alarms(n_pairs: int) -> None:
    """One line a kind."""
    for kind, pieces in in_pieces(alarms, ALARM_KINDS, n_pairs):
        found = Alarms()
        for piece in pieces:
            found.add(piece)
        print(alarms_line(kind, found), flush=True)


def alarms_line(kind: CampaignKind, found: Alarms) -> str:
    """Figures of one kind as text."""
    return (
        f"{kind.name:30} p < {LEVEL:g}: RMS ratio {found.percent('rms_ratio'):4.1f} % of "
        f"{len(found.rms_ratio)}, mean difference {found.percent('mean_difference'):4.1f} % of "
        f"{len(found.mean_difference)}"
    )
