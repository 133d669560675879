"""How often the sweep's change of RMS per doubling holds the truth beside a rig's resonance."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.following import follow
from buffet.run_spectra import run_result
from buffet.sweep.trend import Trend, trends
from ingest import FlowState, Rotation
from tests.thorough.parallel import in_pieces
from tests.thorough.records import RATE_HZ, Resonance, from_density
from tests.thorough.simulated import DURATION_S, MODEL, as_run, spectra_of

Array = NDArray[np.float64]

SPEEDS_M_S = (30.0, 40.0, 50.0)
WAKE_STROUHAL, WAKE_Q = 0.20, 6.0
WAKE, REST = 0.5, 0.5  # variance at the middle speed
RIG_Q = 25.0
SEGMENT_SAMPLES = 1000  # 5 s, four bins for the rig's peak
AT_ONCE = 10


@dataclass(frozen=True)
class SweepKind:
    """Two runs a speed: a wake, a broad rest of it, and a rig whose force does not grow."""

    name: str
    exponent: float  # of the flow's RMS with the speed
    rig_hz: float = 45.0
    rig: float = 0.0  # variance at the middle speed; in coefficients it falls as speed to the -4

    def density(self, frequency_hz: Array, speed_m_s: float) -> Array:
        """One-sided; the flow's keeps its shape over the Strouhal number."""
        per_hz = speed_m_s / MODEL.strouhal_length_m
        grown = (speed_m_s / SPEEDS_M_S[1]) ** (2 * self.exponent)
        wake_hz, rest_hz = WAKE_STROUHAL * per_hz, 0.3 * per_hz
        parts = [
            Resonance(wake_hz, wake_hz / WAKE_Q, WAKE * grown),
            Resonance(rest_hz, rest_hz, REST * grown),
        ]
        if self.rig:
            fallen = (speed_m_s / SPEEDS_M_S[1]) ** -4
            parts.append(Resonance(self.rig_hz, self.rig_hz / RIG_Q, self.rig * fallen))
        return np.asarray(sum(part.density(frequency_hz) for part in parts))


KINDS = (
    SweepKind("no rig", 0.0),
    SweepKind("rig apart, half the flow", 0.0, rig=0.5),
    SweepKind("the same, flow falling", -0.3, rig=0.5),
    SweepKind("rig where the middle speed sheds, a quarter", 0.0, rig_hz=18.4, rig=0.25),
    SweepKind("the same, as strong as the flow", 0.0, rig_hz=18.4, rig=1.0),
    SweepKind("rig between two speeds' shedding, a quarter", 0.0, rig_hz=16.0, rig=0.25),
)


def swept(kind: SweepKind, n: int, rng: np.random.Generator) -> list[Trend]:
    """The trend of each of n campaigns."""
    speeds = [speed for speed in SPEEDS_M_S for _ in range(2)]
    made = [
        from_density(lambda f, u=speed: kind.density(f, u), n, DURATION_S, rng) for speed in speeds
    ]
    signals = spectra_of(np.concatenate(made), SEGMENT_SAMPLES)
    found = []
    for i in range(n):
        runs = []
        for position, speed in enumerate(speeds):
            run = as_run(f"{position}", "a", signals[position * n + i], None, "", rng)
            flow = FlowState(speed, 0.6 * speed**2, 1.2, 1.8e-5, speed * 2.9e4)
            sheet = run.run
            sheet.rotation, sheet.excitation = Rotation(), None
            runs.append(replace(run, flow=flow, segment_s=SEGMENT_SAMPLES / RATE_HZ))
        results = follow([run_result(run) for run in runs])
        analysis = CampaignAnalysis(None, tuple(runs), (), ())  # type: ignore[arg-type]
        ((trend,),) = trends(analysis, [results])
        found.append(trend)
    return found


def outcomes(kind: SweepKind, n: int, seed: int) -> Counter[str]:
    """What the intervals hold, and what is said."""
    rng = np.random.default_rng(seed)
    truth = kind.exponent * log(2)
    count: Counter[str] = Counter()
    for start in range(0, n, AT_ONCE):
        for trend in swept(kind, min(AT_ONCE, n - start), rng):
            change = trend.per_doubling
            count["campaigns"] += 1
            count[trend.statement] += 1
            if change is None:
                continue
            assert change.low is not None
            assert change.high is not None
            count["told"] += 1
            count["held"] += log(1 + change.low) <= truth <= log(1 + change.high)
            count["change, 1e-6"] += round(1e6 * change.value)
    return count


def print_sweep_trends(n_campaigns: int) -> None:
    """A line a kind."""
    print(f"{'kind':45} told %  held %  changing %  settled %  mean change %  true %")
    for kind, pieces in in_pieces(outcomes, KINDS, n_campaigns, AT_ONCE):
        count = Counter[str]()
        for piece in pieces:
            count.update(piece)  # a sum would drop what is below zero
        told = max(count["told"], 1)
        shares = [100 * count[w] / told for w in ("held", "still changing", "settled")]
        print(
            f"{kind.name:45} {100 * told / count['campaigns']:6.1f}  {shares[0]:6.1f} "
            f"{shares[1]:11.1f} {shares[2]:10.1f} {1e-4 * count['change, 1e-6'] / told:14.1f} "
            f"{100 * (2**kind.exponent - 1):7.1f}",
            flush=True,
        )
