"""Where the search for peaks starts: from lines that are known, or from one that towers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.peak_model import BACKGROUND_TERMS, Grid, Shape
from buffet.spectral.search import SMALLEST_P
from buffet.spectral.whittle import Fit, background_start, fit
from buffet.spectral.window import HANN_BIN_INFORMATION, LOBE_BINS, line_shape

Array = NDArray[np.float64]

# A peak is reported when a smooth spectrum would show one as strong, anywhere, in fewer than
# one record in twenty.
SIGNIFICANCE = 0.05
MOST_PEAKS = 6
# Narrower than this the window, not the flow, sets the width.
LINE_WIDTH_BINS = 0.6
# Of a bin, where peaks explain more than all of it: the logarithm of the rest is to be taken.
LEAST_LEFT = 0.02
# Bins between two known lines that a spectrum tells apart.
APART_BINS = 1.0
# A peak within so few bins with so much of the variance can bend a background beyond use.
TOWERING_SHARE = 0.8


@dataclass(frozen=True)
class Start:
    """The fit that a search for peaks begins with, and the p-values of the lines in it."""

    fitted: Fit
    p_values: list[float]
    is_periodic: bool  # one line holds nearly all the variance


def start_of_search(
    grid: Grid, psd: Array, effective_segments: float, lines_hz: Sequence[float]
) -> Start:
    """The background alone, or with known lines, or with a towering one."""
    weight = effective_segments * HANN_BIN_INFORMATION
    background = fit(grid, psd, background_start(grid, psd), weight)
    towering = _towering(background, psd)
    if towering is not None:
        return Start(towering[0], [towering[1]], is_periodic=True)
    known = _with_known_lines(background, psd, lines_hz)
    return Start(known, [SMALLEST_P] * known.n_peaks, is_periodic=False)


def _with_known_lines(background: Fit, psd: Array, lines_hz: Sequence[float]) -> Fit:
    """The fit with lines whose places are known and kept."""
    grid, placed = background.grid, list[float]()
    for at_hz in lines_hz:
        inside = grid.frequency_hz[0] < at_hz < grid.frequency_hz[-1]
        apart = all(abs(at_hz - one) > APART_BINS * grid.step_hz for one in placed)
        if inside and apart and len(placed) < MOST_PEAKS:
            placed.append(at_hz)
    if not placed:
        return background
    rest, starts = psd.copy(), []
    for at_hz in placed:
        profile = line_shape((grid.frequency_hz - at_hz) / grid.step_hz)
        lobe = np.abs(grid.frequency_hz - at_hz) <= LOBE_BINS * grid.step_hz
        variance = max(
            float((rest - background.spectrum)[lobe].sum()), LEAST_LEFT * rest[lobe].sum()
        )
        rest = np.maximum(rest - variance * profile, LEAST_LEFT * psd)
        starts.append(np.log([variance * grid.step_hz, at_hz, LINE_WIDTH_BINS * grid.step_hz]))
    start = np.concatenate([background_start(grid, rest), *starts])
    fitted = fit(grid, psd, start, background.weight, _lines(len(placed)))
    for i in reversed(range(len(placed))):  # one that wanders off is not in this spectrum
        if abs(np.exp(fitted.peak(i)[1]) - placed[i]) > grid.step_hz:
            fewer = np.delete(fitted.parameters, BACKGROUND_TERMS + 3 * i + np.arange(3))
            fitted = fit(grid, psd, fewer, fitted.weight, _lines(fitted.n_peaks - 1))
            placed.pop(i)
    return fitted


def _lines(count: int) -> tuple[Shape, ...]:
    return tuple("line" for _ in range(count))


def without_unseen(
    fitted: Fit, p_values: list[float], psd: Array, lines_hz: Sequence[float]
) -> tuple[Fit, list[float]]:
    """Refit without those of the known lines that this spectrum does not show.

    Two parameters, at a place that is known: no allowance for other places.
    """
    from scipy.special import chdtrc

    for i in reversed(range(fitted.n_peaks)):
        _, log_natural, _ = fitted.peak(i)
        off_hz = np.abs(np.asarray(lines_hz) - np.exp(log_natural))
        if fitted.shapes[i] != "line" or not (off_hz < fitted.grid.step_hz).any():
            continue
        rest = np.delete(fitted.parameters, BACKGROUND_TERMS + 3 * i + np.arange(3))
        shapes = fitted.shapes[:i] + fitted.shapes[i + 1 :]
        fewer = fit(fitted.grid, psd, rest, fitted.weight, shapes)
        gain = 2 * (fitted.log_likelihood - fewer.log_likelihood)
        if chdtrc(2, max(gain, 0.0)) >= SIGNIFICANCE:
            fitted, p_values = fewer, p_values[:i] + p_values[i + 1 :]
    return fitted, p_values


def _towering(null: Fit, psd: Array) -> tuple[Fit, float] | None:
    """The fit with one line that holds nearly all the variance, and its p-value; or None.

    Orders of magnitude above the rest, such a line (the periodic wake of a smooth body, a
    computed one above all) is taken for background by a fit without it, and scores from that
    fit do not show it. So it is fitted from a start of its own and judged by the likelihood
    ratio (Wilks 1938, three more parameters), times the number of bins it could have been in.
    """
    grid, top = null.grid, int(np.argmax(psd))
    lobe = psd[max(top - LOBE_BINS, 0) : top + LOBE_BINS + 1]
    if top in (0, len(psd) - 1) or lobe.sum() < TOWERING_SHARE * psd.sum():
        return None
    natural_hz = grid.frequency_hz[top] + _offset_bins(*psd[top - 1 : top + 2]) * grid.step_hz
    profile = line_shape((grid.frequency_hz - natural_hz) / grid.step_hz)
    variance = float(lobe.sum())  # in bins; the line's density is `variance * profile`
    rest = np.maximum(psd - variance * profile, LEAST_LEFT * psd)
    flat = np.zeros(BACKGROUND_TERMS)
    flat[0] = np.log(np.median(rest))
    line = np.log([variance * grid.step_hz, natural_hz, LINE_WIDTH_BINS * grid.step_hz])
    resonance_height = line - [np.log(np.pi / 2) + line[2], 0.0, 0.0]  # A π B / 2 is the variance
    starts: tuple[tuple[Shape, Array], ...] = (("line", line), ("resonance", resonance_height))
    fits = [
        fit(grid, psd, np.append(background, peak), null.weight, (shape,))
        for background in (flat, background_start(grid, rest))
        for shape, peak in starts
    ]
    best = max(fits, key=lambda fitted: fitted.log_likelihood)
    p_value = ratio_p_value(null, best)
    return (best, max(p_value, SMALLEST_P)) if p_value < SIGNIFICANCE else None


def ratio_p_value(null: Fit, grown: Fit) -> float:
    """Of one peak more, by the likelihood ratio, for all the bins it could have been in."""
    from scipy.special import chdtrc

    gain = 2 * (grown.log_likelihood - null.log_likelihood)
    return len(null.spectrum) * float(chdtrc(3, max(gain, 0.0)))


def _offset_bins(left: float, top: float, right: float) -> float:
    """Where a line lies between its highest bin and the higher neighbour.

    Amplitudes under a Hann window at both are as (2 - δ) to (1 + δ), from its transform.
    """
    ratio = float(np.sqrt(max(left, right) / top))
    return (2 * ratio - 1) / (ratio + 1) * (1 if right > left else -1)
