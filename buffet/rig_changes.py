"""How much of a change of RMS sits in peaks that are not flow's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buffet.pairs import Pair
from buffet.rig_findings import (
    SAME_RESONANCE,
    RigShare,
    above_noise,
    lobe_excess,
    rig_name,
    rig_shares,
)
from buffet.run_spectra import QuantityResult, RunResult

# Share of the change of a variance from which it is said to be the rig's, and from which it is
# mentioned (engineering judgement).
MOSTLY, PARTLY = 0.5, 0.1


@dataclass(frozen=True)
class RigChange:
    """The part of a change of variance that is rig, mains or machinery."""

    share: float  # of the change; above 1 where the flow's part changes the other way
    frequency_hz: float  # of the peak that makes most of it
    what: str  # that peak is

    @property
    def mostly(self) -> bool:
        """Whether the change is the rig's rather than the flow's."""
        return self.share >= MOSTLY


@dataclass(frozen=True)
class _Part:
    """One peak's variance in one component of a run."""

    share: RigShare
    variance: float


def rig_change(pair: Pair, word: str, results: Mapping[str, RunResult]) -> RigChange | None:
    """Of one component; None where next to nothing of its change is.

    Parameters
    ----------
    results : of all runs, their peaks followed over the wind speeds, by the run's number
    """
    totals, parts = [], []
    for name, sign in ((pair.name, 1.0), (pair.other, -1.0)):
        groups = pair.groups(name)
        for group in groups:
            for run in group:
                weight = sign / (len(groups) * len(group))
                quantity = _quantity(results[run.run.number], word)
                if quantity is None:
                    return None
                totals.append(weight * (quantity.rms.value**2 if quantity.rms else 0.0))
                parts += [(weight, one) for one in _parts(results[run.run.number], quantity)]
    change = sum(totals)
    of_rig = sum(weight * one.variance for weight, one in parts)
    if change == 0 or of_rig / change < PARTLY:
        return None
    largest = _most_changed(parts, change)
    return RigChange(of_rig / change, largest.frequency_hz, rig_name(largest))


def _most_changed(parts: Sequence[tuple[float, _Part]], change: float) -> RigShare:
    """The peak of which most of the change is made, at its largest; the same in several runs."""
    best, most = parts[0][1].share, -np.inf
    for _, one in parts:
        reach = max(one.share.peak.bandwidth_hz.value, SAME_RESONANCE * one.share.frequency_hz)
        alike = [
            (weight, other)
            for weight, other in parts
            if other.share.code == one.share.code
            and abs(other.share.frequency_hz - one.share.frequency_hz) <= reach
        ]
        total = sum(weight * other.variance for weight, other in alike) / change
        if total > most:
            most = total
            best = max(alike, key=lambda pair: pair[1].variance)[1].share
    return best


def _quantity(result: RunResult, word: str) -> QuantityResult | None:
    index = result.analysis.fluctuation(word)
    return None if index is None else result.quantities[index]


def _parts(result: RunResult, quantity: QuantityResult) -> list[_Part]:
    """Peaks of the component itself; where none were looked for, those of the others.

    A peak of another component is as strong in this one as its lobe is, over its lobe there.
    """
    every = rig_shares(result)
    named = {one.quantity.name: one for one in result.quantities}
    if quantity.fit_deviance is not None:
        own = [one for one in every if one.quantity == quantity.quantity.name]
        return [_Part(one, above_noise(quantity, one.peak)) for one in own]
    found = []
    for one in _apart(every):
        there, here = (_lobe(q, one) for q in (named[one.quantity], quantity))
        if there > 0 and here > 0:
            found.append(_Part(one, here / there * above_noise(named[one.quantity], one.peak)))
    return found


def _lobe(quantity: QuantityResult, one: RigShare) -> float:
    noise = 0.0 if quantity.noise_psd is None else quantity.noise_psd
    return lobe_excess(quantity.frequency_hz, quantity.psd - noise, one.peak)


def _apart(every: Sequence[RigShare]) -> list[RigShare]:
    """Peaks that several components show count once, by the one that shows most of it."""
    kept: list[RigShare] = []
    for one in sorted(every, key=lambda share: -share.as_logged):
        width = one.peak.bandwidth_hz.value
        if all(abs(one.frequency_hz - other.frequency_hz) > width for other in kept):
            kept.append(one)
    return kept
