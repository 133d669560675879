"""The strongest peak that a fitted model lacks, and how often chance shows one as strong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.peak_model import Grid, resonance
from buffet.spectral.whittle import Fit
from buffet.spectral.window import effective_segments as known_segments
from buffet.spectral.window import hann

if TYPE_CHECKING:
    from scipy.sparse import coo_array, csr_array

Array = NDArray[np.float64]

# Bandwidths looked for: a line, two resolutions, and resonances of Q 12, 6 and 3.
NARROW_WIDTHS_BINS = (0.5, 2.0)
QUALITY_FACTORS = (12.0, 6.0, 3.0)
# Bins on either side of a narrow template's frequency; beyond lies less than 1 % of its energy.
NEAR_BINS = 24
# Scores in units of √(2 / segments), about two standard deviations of a bin, beyond which no
# simulated maximum was ever seen (they stay below 8): the simulation is spared.
BEYOND_DOUBT = 15.0
# A peak of which the fitted model already holds all but this share of energy is no other peak.
LEAST_DISTINCT = 0.0025
# Segments simulated for the null distribution; more are imitated from these.
MOST_SIMULATED_SEGMENTS = 32
SIMULATIONS = 500
# Looked at together; where chance has shown enough by then, the others are spared.
AT_ONCE = 100
# Bins at the ends of a simulated spectrum that are not used: zero and Nyquist reach into them.
FREE_BINS = 4
# No p-value can be told to be smaller: that of a peak stronger than every simulated one.
SMALLEST_P = 1 / (SIMULATIONS + 1)


@dataclass(frozen=True)
class _Templates:
    """Peaks of unit height to look for, as the window shows them at the bins.

    Narrow ones are kept near their frequency alone, so that memory grows with the bins and not
    with their square.
    """

    natural_hz: Array  # (n_templates,)
    bandwidth_hz: Array  # (n_templates,)
    narrow: csr_array  # (n_narrow, n_bins)
    broad: Array  # (n_templates - n_narrow, n_bins)

    def __matmul__(self, columns: Array) -> Array:
        """Sums over the bins, ``(n_templates, n)``, of columns ``(n_bins, n)``."""
        return np.concatenate([self.narrow @ columns, self.broad @ columns])

    @cached_property
    def squared(self) -> _Templates:
        """Templates with every value squared."""
        return replace(self, narrow=self.narrow.power(2), broad=self.broad**2)


@lru_cache(maxsize=4)
def _templates(low_hz: float, step_hz: float, n_bins: int) -> _Templates:
    """Natural frequencies and bandwidths to scan, spaced by a fraction of the bandwidth."""
    from scipy.sparse import csr_array

    frequency_hz = np.asarray(low_hz + step_hz * np.arange(n_bins), float)
    high_hz = float(frequency_hz[-1])
    narrow: list[tuple[float, float]] = []
    for bins in NARROW_WIDTHS_BINS:
        width = bins * step_hz
        spacing = max(width, step_hz) / 2
        narrow += [(f, width) for f in np.arange(low_hz, high_hz, spacing) if width < f]
    broad: list[tuple[float, float]] = []
    for quality in QUALITY_FACTORS:
        n = max(2, int(np.log(high_hz / low_hz) * quality * 3))
        naturals = np.geomspace(low_hz, high_hz, n)
        broad += [(f, f / quality) for f in naturals if f / quality > 2 * step_hz]
    natural, width_hz = np.array(narrow + broad).T
    return _Templates(
        natural,
        width_hz,
        csr_array(_near_templates(narrow, low_hz, step_hz, n_bins)),
        _whole_templates(broad, Grid(frequency_hz, step_hz)),
    )


def _near_templates(
    pairs: list[tuple[float, float]], low_hz: float, step_hz: float, n_bins: int
) -> coo_array:
    """Narrow peaks, cut off NEAR_BINS from their frequency."""
    from scipy.sparse import coo_array

    rows, columns, values = [], [], []
    for row, (natural, width) in enumerate(pairs):
        middle = round((natural - low_hz) / step_hz)
        bins = np.arange(max(0, middle - NEAR_BINS), min(n_bins, middle + NEAR_BINS + 1))
        near = Grid(np.asarray(low_hz + step_hz * bins, float), step_hz)
        values.append(near.smooth(resonance(near.fine_hz, 1.0, natural, width)[None])[0])
        columns.append(bins)
        rows.append(np.full(len(bins), row))
    parts = [np.concatenate(part) for part in (values, rows, columns)]
    return coo_array((parts[0], (parts[1], parts[2])), shape=(len(pairs), n_bins))


def _whole_templates(pairs: list[tuple[float, float]], grid: Grid) -> Array:
    shapes = [grid.smooth(resonance(grid.fine_hz, 1.0, f, b)[None])[0] for f, b in pairs]
    return np.array(shapes).reshape(len(pairs), len(grid.frequency_hz))


def strongest(
    null: Fit, psd: Array, effective_segments: float, level: float = 1.0
) -> tuple[float, tuple[float, float]]:
    """p-value of the largest score over all templates, and that peak's f0 and B.

    Efficient score of a peak of vanishing height (Rao 1948), the directions of the fitted
    parameters projected out, against the same maximum over spectra drawn from the null fit.
    Once it is sure to be `level` or more, the least that it can be is returned.
    """
    grid = null.grid
    wanted = _templates(float(grid.frequency_hz[0]), grid.step_hz, len(psd))
    directions = null.gradient / null.spectrum  # (n_parameters, n_bins)
    inverse = np.linalg.pinv(directions @ directions.T)

    def project(rows: Array) -> Array:
        """Rows less what the null model could take up itself, over the null spectrum."""
        return (rows - (rows @ directions.T) @ inverse @ directions) / null.spectrum

    along = wanted @ (directions / null.spectrum).T
    raw = (wanted.squared @ (1 / null.spectrum**2)[:, None])[:, 0]
    left = raw - np.einsum("tp,pq,tq->t", along, inverse, along)
    distinct = left > LEAST_DISTINCT * raw
    norms = np.where(distinct, np.sqrt(np.maximum(left, 0)), np.inf)[:, None]
    scores = (wanted @ project((psd / null.spectrum - 1)[None]).T / norms)[:, 0]
    best = int(np.argmax(np.where(distinct, scores, -np.inf)))
    n_segments = round(effective_segments, 2)
    as_strong = 0
    if scores[best] < BEYOND_DOUBT * np.sqrt(2 / n_segments):
        for start in range(0, SIMULATIONS, AT_ONCE):
            ratios = null_ratios(len(psd), n_segments)[start : start + AT_ONCE]
            drawn = wanted @ project(ratios - 1).T / norms
            largest = np.where(distinct[:, None], drawn, -np.inf).max(axis=0)
            as_strong += int(np.sum(largest >= scores[best]))
            if (1 + as_strong) / (SIMULATIONS + 1) >= level:
                break
    p_value = (1 + as_strong) / (SIMULATIONS + 1)
    return p_value, (float(wanted.natural_hz[best]), float(wanted.bandwidth_hz[best]))


@lru_cache(maxsize=8)
def null_ratios(n_bins: int, effective_segments: float, seed: int = 1982) -> Array:
    """Averaged Hann periodograms of white noise over their mean, ``(SIMULATIONS, n_bins)``.

    Transformed as records are, in half-overlapping segments: shared samples give strong bins a
    longer tail than as many independent segments would (simulated: with those, 15 segments show
    a peak in 7 % of records instead of 5 %).
    """
    from scipy.fft import next_fast_len, rfft

    rng = np.random.default_rng(seed)
    segments = min(_half_overlapping(effective_segments), MOST_SIMULATED_SEGMENTS)
    half = next_fast_len(n_bins + FREE_BINS, real=True)
    window = hann(2 * half)
    total = np.zeros((SIMULATIONS, n_bins))
    older = rng.standard_normal((SIMULATIONS, half))
    for _ in range(segments):
        newer = rng.standard_normal((SIMULATIONS, half))
        bins = rfft(np.concatenate([older, newer], axis=1) * window, axis=1)
        total += np.abs(bins[:, FREE_BINS // 2 : FREE_BINS // 2 + n_bins]) ** 2
        older = newer
    ratios = total / (segments * np.sum(window**2))
    ratios = _averaged_more(ratios, known_segments(segments), max(effective_segments, 1.0))
    ratios.setflags(write=False)
    return ratios


def _averaged_more(ratios: Array, own: float, wanted: float) -> Array:
    """Averages over `own` segments as they would be over `wanted`, tails included.

    The cube root of such an average is nearly normal, of mean 1 - 1 / (9 n) and variance
    1 / (9 n) (Wilson & Hilferty 1931, Proc. Natl. Acad. Sci. 17, 684-688).
    """
    normal = (np.cbrt(ratios) - 1 + 1 / (9 * own)) * 3 * np.sqrt(own)
    return np.asarray((1 - 1 / (9 * wanted) + normal / (3 * np.sqrt(wanted))) ** 3)


def _half_overlapping(effective: float) -> int:
    """How many half-overlapping Hann segments are worth so many: 18 K² / (19 K - 1) solved."""
    root = float(np.sqrt(max((19 * effective) ** 2 - 72 * effective, 0.0)))
    return max(1, round((19 * effective + root) / 36))
