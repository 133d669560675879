"""How often a difference is shown that a campaign, or a number of runs, promises to show."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from buffet.pairs import Estimate, Pair, Spreads
from tests.thorough.alarms import AT_ONCE, LEVEL
from tests.thorough.parallel import in_pieces
from tests.thorough.records import PEAKY, WHITE
from tests.thorough.simulated import WORD, CampaignKind, campaigns

WANTED = 0.05  # relative change that a number of runs is asked for
POWER_KINDS = (
    CampaignKind("white, 2 repeats, 2 %", WHITE, repeats=2, scatter=0.02, others=2),
    CampaignKind("peaky, 2 repeats, 2 %", PEAKY, repeats=2, scatter=0.02, others=2),
    CampaignKind("peaky, 3 repeats, 3 %", PEAKY, repeats=3, scatter=0.03, others=2),
    CampaignKind("white, 2 repeats, 4 %", WHITE, repeats=2, scatter=0.04, others=2),
)


@dataclass
class Promises:
    """How often what campaigns of one kind promise came true."""

    changes: list[float] = field(default_factory=list)  # relative, that each would show
    shown: list[bool] = field(default_factory=list)  # had it been there
    runs: list[int] = field(default_factory=list)  # at each operating point, to show `WANTED`
    shown_by_runs: list[bool] = field(default_factory=list)  # in a campaign of so many

    def add(self, other: Promises) -> None:
        """Take in another's."""
        self.changes += other.changes
        self.shown += other.shown
        self.runs += other.runs
        self.shown_by_runs += other.shown_by_runs


def promises(kind: CampaignKind, n: int, seed: int) -> Promises:
    """Of `n` campaigns without a difference: each one's promise, kept to its own size.

    A change of all of b's records adds to the logarithm of the ratio and leaves its error alone.
    """
    found = Promises()
    for pair, one in _ratios(kind, n, seed):
        change = one.detectable()
        found.changes.append(float(np.expm1(change)))
        found.shown.append(replace(one, value=one.value + change).p_value() < LEVEL)
        runs = pair.runs_to_show(one, float(np.log1p(WANTED)))
        found.runs += [] if runs is None else [runs]
    for runs in sorted(set(found.runs)):
        asked = replace(kind, change=WANTED, repeats=runs)
        ratios = _ratios(asked, found.runs.count(runs), seed + 1000 + runs)
        found.shown_by_runs += [one.p_value() < LEVEL for _, one in ratios]
    return found


def _ratios(kind: CampaignKind, n: int, seed: int) -> list[tuple[Pair, Estimate]]:
    rng = np.random.default_rng(seed)
    found = []
    for start in range(0, n, AT_ONCE):
        for analysis in campaigns(kind, min(AT_ONCE, n - start), rng):
            pair = Pair(analysis, "b", "a", Spreads.of(analysis, (WORD,)))
            ratio = pair.log_ratio(WORD)
            assert ratio is not None
            found.append((pair, ratio))
    return found


def print_power(n: int) -> None:
    """One line a kind."""
    for kind, pieces in in_pieces(promises, POWER_KINDS, n):
        found = Promises()
        for piece in pieces:
            found.add(piece)
        print(power_line(kind, found), flush=True)


def power_line(kind: CampaignKind, found: Promises) -> str:
    """Figures of one kind as text."""
    return (
        f"{kind.name:25} {np.median(found.changes):5.1%} is shown in {np.mean(found.shown):4.0%} "
        f"of {len(found.shown)}; {WANTED:.0%} by {np.median(found.runs):.0f} runs in "
        f"{np.mean(found.shown_by_runs):4.0%} (promised: 80 %)"
    )
