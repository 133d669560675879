"""p-values of all add-ons against the baseline, corrected for how many are looked at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buffet.band_ratios import BandRatio, RoadOctaves, with_p_values
from buffet.holm import holm
from buffet.pairs import Estimate, Pair
from buffet.rating.ranking import Ranking

# Components whose means are compared.
MEANS = ("drag", "front lift", "rear lift")
# RMS values closer than this pass for equal: less than the least that anybody notices, 7 to 11 %.
EQUAL_WITHIN = 0.05


@dataclass(frozen=True)
class Differences:
    """Of one configuration against the baseline, by component; Holm over the configurations."""

    rms: Mapping[str, float]  # p-value of no difference of RMS
    equivalence: Mapping[str, float]  # of RMS values further apart than what passes for equal
    means: Mapping[str, float]  # of no difference of means


def differences(
    pairs: Mapping[str, Pair], words: Sequence[str], equal_within: float
) -> dict[str, Differences]:
    """Of every pair, by its configuration.

    Parameters
    ----------
    equal_within : relative difference of RMS that passes for none
    """
    margin = float(np.log1p(equal_within))
    rms = _corrected({c: _p_values(pair.log_ratio, words) for c, pair in pairs.items()})
    equivalence = _corrected(
        {
            c: _by_word(pair.log_ratio, words, lambda one: one.equivalence_p_value(margin))
            for c, pair in pairs.items()
        }
    )
    means = _corrected({c: _p_values(pair.difference, MEANS) for c, pair in pairs.items()})
    return {c: Differences(rms[c], equivalence[c], means[c]) for c in pairs}


def _p_values(estimate: Callable[[str], Estimate | None], words: Sequence[str]) -> dict[str, float]:
    """Of no difference, by component, uncorrected."""
    return _by_word(estimate, words, Estimate.p_value)


def _by_word(
    estimate: Callable[[str], Estimate | None],
    words: Sequence[str],
    test: Callable[[Estimate], float],
) -> dict[str, float]:
    estimates = {word: estimate(word) for word in words}
    return {word: test(one) for word, one in estimates.items() if one is not None}


def _corrected(raw: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """Holm over the configurations, component by component."""
    result: dict[str, dict[str, float]] = {name: {} for name in raw}
    for word in dict.fromkeys(word for p_values in raw.values() for word in p_values):
        names = [name for name in raw if word in raw[name]]
        for name, p_value in zip(names, holm([raw[n][word] for n in names]), strict=True):
            result[name][word] = p_value
    return result


def band_ratios(
    pairs: Mapping[str, Pair], octaves: RoadOctaves
) -> dict[str, dict[str, tuple[BandRatio, ...]]]:
    """By configuration and component; Holm over configurations and bands."""
    found: dict[str, dict[str, tuple[BandRatio, ...]]] = {name: {} for name in pairs}
    for word in dict.fromkeys(w for pair in pairs.values() for w in pair.spreads.log_variance):
        rows = {name: octaves.ratios(pair, word) for name, pair in pairs.items()}
        every = [one.p_value for row in rows.values() for one in row if one.p_value is not None]
        corrected = iter(holm(every))
        for name, row in rows.items():
            own = [next(corrected) for one in row if one.p_value is not None]
            if row:
                found[name][word] = tuple(with_p_values(row, own))
    return found


def felt_p_values(pairs: Mapping[str, Pair], ranking: Ranking) -> dict[str, float]:
    """Of no difference of what is felt, of the configurations that are ranked; Holm over these."""
    told = [name for name, pair in pairs.items() if name in ranking and pair.other in ranking]
    raw = [ranking.p_value(name, pairs[name].other) for name in told]
    return dict(zip(told, holm(raw), strict=True))
