"""The strongest peak that a fitted model lacks, and how often chance shows one as strong."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from buffet.spectral.whittle import Fit
from buffet.spectral.window import effective_segments as known_segments
from buffet.spectral.window import hann
from buffet.spectral.windowed import windowed_resonance

Array = NDArray[np.float64]

# Bandwidths looked for: a line, two resolutions, and resonances of Q 12, 6 and 3.
NARROW_WIDTHS_BINS = (0.5, 2.0)
QUALITY_FACTORS = (12.0, 6.0, 3.0)
# Bins on either side of a narrow template's frequency; beyond lies less than 1 % of its energy.
NEAR_BINS = 24
BLOCK_BINS = 32  # narrow templates of so many bins are multiplied as one matrix
WHOLE_AT_ONCE = 16  # broad templates made together
# Scores in units of √(2 / segments), about two standard deviations of a bin, beyond which no
# simulated maximum was ever seen (they stay below 8): the simulation is spared.
BEYOND_DOUBT = 15.0
# A peak of which the fitted model already holds all but this share of energy is no other peak.
LEAST_DISTINCT = 0.0025
# Segments simulated for the null distribution; more are imitated from these.
MOST_SIMULATED_SEGMENTS = 32
SIMULATIONS = 500
# Looked at together; where chance has shown enough by then, the others are spared.
AT_ONCE = 50
# Bins at the ends of a simulated spectrum that are not used: zero and Nyquist reach into them.
FREE_BINS = 4
# No p-value can be told to be smaller: that of a peak stronger than every simulated one.
SMALLEST_P = 1 / (SIMULATIONS + 1)


@dataclass(frozen=True)
class _Templates:
    """Peaks of unit height to look for, as the window shows them at the bins.

    Narrow ones are kept near their frequency alone, so that memory grows with the bins and not
    with their square: those of BLOCK_BINS neighbouring bins side by side as one matrix.
    """

    natural_hz: Array  # (n_templates,)
    bandwidth_hz: Array  # (n_templates,)
    narrow: Array  # (n_blocks, n_rows, BLOCK_BINS + 2 NEAR_BINS)
    filled: NDArray[np.bool_]  # (n_blocks, n_rows), which rows are templates
    broad: Array  # (n_broad, n_bins)

    def __matmul__(self, columns: Array) -> Array:
        """Sums over the bins, ``(n_templates, n)``, of columns ``(n_bins, n)``."""
        padded = np.zeros((len(self.narrow) * BLOCK_BINS + 2 * NEAR_BINS, columns.shape[1]))
        padded[NEAR_BINS : NEAR_BINS + len(columns)] = columns
        windows = sliding_window_view(padded, self.narrow.shape[2], axis=0)[::BLOCK_BINS]
        near = self.narrow @ windows.transpose(0, 2, 1)
        return np.concatenate([near[self.filled], self.broad @ columns])

    @cached_property
    def squared(self) -> _Templates:
        """Templates with every value squared."""
        return replace(self, narrow=self.narrow**2, broad=self.broad**2)


@lru_cache(maxsize=4)
def _templates(low_hz: float, step_hz: float, n_bins: int) -> _Templates:
    """Natural frequencies and bandwidths to scan, spaced by a fraction of the bandwidth."""
    high_hz = low_hz + step_hz * (n_bins - 1)
    narrow: list[tuple[float, float]] = []
    for bins in NARROW_WIDTHS_BINS:
        width = bins * step_hz
        spacing = max(width, step_hz) / 2
        narrow += [(f, width) for f in np.arange(low_hz, high_hz, spacing) if width < f]
    narrow.sort()  # a block holds neighbours
    broad: list[tuple[float, float]] = []
    for quality in QUALITY_FACTORS:
        n = max(2, int(np.log(high_hz / low_hz) * quality * 3))
        naturals = np.geomspace(low_hz, high_hz, n)
        broad += [(f, f / quality) for f in naturals if f / quality > 2 * step_hz]
    natural, width_hz = np.array(narrow + broad).reshape(-1, 2).T
    near, rest = slice(len(narrow)), slice(len(narrow), None)
    at = np.asarray(low_hz / step_hz + np.arange(n_bins), float)
    return _Templates(
        natural,
        width_hz,
        *_blocks(natural[near] / step_hz, width_hz[near] / step_hz, at),
        _whole(natural[rest] / step_hz, width_hz[rest] / step_hz, at),
    )


def _blocks(natural: Array, width: Array, bins: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Narrow peaks, cut off NEAR_BINS from their frequency, and which rows hold one."""
    middle = np.rint(natural - bins[0]).astype(int)
    block = middle // BLOCK_BINS
    n_blocks = -(-len(bins) // BLOCK_BINS)
    row = np.arange(len(natural)) - np.searchsorted(block, block)  # within its block
    narrow = np.zeros((n_blocks, row.max(initial=0) + 1, BLOCK_BINS + 2 * NEAR_BINS))
    filled = np.zeros(narrow.shape[:2], bool)
    filled[block, row] = True
    reach = np.arange(2 * NEAR_BINS + 1)
    at = bins[0] + middle[:, None] - NEAR_BINS + reach
    column = (middle % BLOCK_BINS)[:, None] + reach
    narrow[block[:, None], row[:, None], column] = windowed_resonance(at, natural, width)
    return narrow, filled


def _whole(natural: Array, width: Array, bins: Array) -> Array:
    """Broad peaks at all bins, a few at a time for their memory."""
    shapes = np.empty((len(natural), len(bins)))
    for start in range(0, len(natural), WHOLE_AT_ONCE):
        few = slice(start, start + WHOLE_AT_ONCE)
        shapes[few] = windowed_resonance(bins, natural[few], width[few])
    return shapes


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
    norms = np.sqrt(np.where(distinct, left, np.inf))[:, None]
    scores = (wanted @ project((psd / null.spectrum - 1)[None]).T / norms)[:, 0]
    best = int(np.argmax(np.where(distinct, scores, -np.inf)))
    n_segments = round(effective_segments, 2)
    as_strong = 0
    if scores[best] < BEYOND_DOUBT * np.sqrt(2 / n_segments):
        for start in range(0, SIMULATIONS, AT_ONCE):
            ratios = null_ratios(len(psd), n_segments)[start : start + AT_ONCE]
            drawn = wanted @ project(ratios - 1).T
            drawn /= norms
            as_strong += int(np.sum(drawn.max(axis=0) >= scores[best]))
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
    from scipy.fft import next_fast_len

    rng = np.random.default_rng(seed)
    segments = min(_half_overlapping(effective_segments), MOST_SIMULATED_SEGMENTS)
    half = next_fast_len(n_bins + FREE_BINS, real=True)
    bins = slice(FREE_BINS // 2, FREE_BINS // 2 + n_bins)
    window = hann(2 * half)
    total = np.zeros((SIMULATIONS, n_bins))
    older = rng.standard_normal((SIMULATIONS, half))
    with ThreadPoolExecutor(1) as pool:  # transforms while the next samples are drawn
        waiting: Future[NDArray[np.float32]] | None = None
        for _ in range(segments):
            newer = rng.standard_normal((SIMULATIONS, half))
            if waiting is not None:
                total += waiting.result()
            waiting = pool.submit(_powers, older, newer, window, bins)
            older = newer
        if waiting is not None:
            total += waiting.result()
    ratios = total / (segments * np.sum(window**2))
    ratios = _averaged_more(ratios, known_segments(segments), max(effective_segments, 1.0))
    ratios.setflags(write=False)
    return ratios


def _powers(older: Array, newer: Array, window: Array, bins: slice) -> NDArray[np.float32]:
    """Powers at some bins of segments of two halves; single precision serves a simulation."""
    from scipy.fft import rfft

    half = older.shape[1]
    windowed = np.empty((len(older), 2 * half), np.float32)
    np.multiply(older, window[:half], out=windowed[:, :half], casting="same_kind")
    np.multiply(newer, window[half:], out=windowed[:, half:], casting="same_kind")
    transformed = rfft(windowed, axis=1)[:, bins]
    return np.asarray(transformed.real**2 + transformed.imag**2)


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
