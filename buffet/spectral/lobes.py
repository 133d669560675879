"""Segment spectra without lines: what the bins beside a line's lobe let expect in it.

A pure line fills the Hann window's lobe and nothing else. What would stand there without it is
told by the bins on both sides, through which a background is laid as the reciprocal of a quadratic
in frequency: near its top a resonance is just that, and a slope or a valley is near enough. The
curve's slopes with the densities beside it, at the whole record's, give what each group lets
expect: linear in the segments' spectra like everything else, so that what the curve itself scatters
is resampled too (simulated, on the top of a shedding peak: 95 % intervals of the RMS hold the truth
in 95 % of records, with the curve's shape held in 73 %).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra, left_over
from buffet.spectral.window import LOBE_BINS, line_shape

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Mask = NDArray[np.bool_]

# A line far above the rest reaches further; the lobe is widened, up to the second number, until
# the line holds less than this share of the bins beside it.
REACHES = 0.1
WIDEST_LOBE_BINS = 24
# Bins on each side that tell the background: with fewer it scatters, with more it strays from the
# quadratic (simulated: a shedding peak of 8 bins with a line on its top keeps its RMS within 1 %).
SIDE_BINS = 6
# With fewer on a side there is nothing to lay a curve through.
FEWEST_SIDE_BINS = 3
MOST_STEPS = 30
# How far a background may rise between the sides: so far rises a resonance of four bins, the
# narrowest that segments are chosen to resolve; more would be the curve's own scatter.
LARGEST_RISE = 4.0


@dataclass(frozen=True)
class Lobe:
    """Bins that one line, or several side by side, fill, and those beside them."""

    lines: tuple[int, ...]
    inside: Mask  # (n_bins,)
    beside: Mask  # (n_bins,)


def lobes(spectra: ReducedSpectra, frequency_hz: Array) -> tuple[Lobe, ...]:
    """Lobes of lines ``(n_lines,)``, joined where they touch."""
    n_bins = len(spectra.frequency_hz)
    at = frequency_hz / spectra.frequency_step_hz
    widths = [_reach(spectra.psd, one) for one in at]
    order = np.argsort(at)
    groups: list[list[int]] = []
    end = -np.inf
    for index in order.tolist():
        low, high = round(at[index]) - widths[index], round(at[index]) + widths[index]
        if low <= end + 1 and groups:
            groups[-1].append(index)
        else:
            groups.append([index])
        end = max(end, high)
    bins = np.arange(n_bins)
    filled = [
        np.any([np.abs(bins - round(at[i])) <= widths[i] for i in group], axis=0)
        for group in groups
    ]
    taken = np.any(filled, axis=0) if filled else np.zeros(n_bins, bool)
    free = ~taken & (bins >= FIRST_BIN)
    return tuple(
        Lobe(tuple(group), inside, _beside(inside, free))
        for group, inside in zip(groups, filled, strict=True)
        if inside.any()
    )


def _reach(psd: Array, at: float) -> int:
    """Bins on either side of a line's own that hold it, in the quantity where it is strongest."""
    middle = round(at)
    reach = LOBE_BINS
    lobe = psd[:, max(middle - reach, 0) : middle + reach + 1].sum(axis=1)
    while reach < WIDEST_LOBE_BINS:
        # the highest that the window's side lobe can be there
        skirt = lobe / (np.pi * (reach + 0.5) * ((reach + 0.5) ** 2 - 1)) ** 2 / 1.5
        edges = [k for k in (middle - reach - 1, middle + reach + 1) if 0 <= k < psd.shape[1]]
        if not edges or (skirt <= REACHES * psd[:, edges].min(axis=1)).all():
            break
        reach += 1
    return reach


def _beside(inside: Mask, free: Mask) -> Mask:
    """The nearest free bins on each side, as many on both where both have enough."""
    first, last = np.flatnonzero(inside)[[0, -1]]
    bins = np.flatnonzero(free)
    count = max(SIDE_BINS, (last - first) // 2)  # a curve is not to be drawn far from its bins
    below, above = bins[bins < first][-count:], bins[bins > last][:count]
    mask = np.zeros(len(free), bool)
    mask[below] = mask[above] = True
    return mask


def without_lines(spectra: ReducedSpectra, frequency_hz: Array) -> ReducedSpectra:
    """The same with each line's lobe as the bins beside it let expect.

    Parameters
    ----------
    frequency_hz : (n_lines,)
    """
    if not len(frequency_hz):
        return spectra
    psd, matrix = spectra.group_psd.copy(), spectra.group_matrix.copy()
    words = [spectra.measured(word) for word in spectra.components]
    places = [place for place in words if place is not None]
    for lobe in lobes(spectra, frequency_hz):
        expected = _background(spectra, lobe)
        sides = spectra.group_psd[:, :, lobe.beside]
        psd[:, :, lobe.inside] = np.einsum("gqn,qbn->gqb", sides, expected.weights)
        if places:
            sides_matrix = spectra.group_matrix[:, lobe.beside]
            matrix[:, lobe.inside] = expected.matrix(sides_matrix, places)
    rest = replace(spectra, group_psd=psd, group_matrix=matrix)
    below = spectra.below_resolution * left_over(spectra, rest.psd)
    return replace(rest, below_resolution=below)


def line_variances(spectra: ReducedSpectra, without: ReducedSpectra, frequency_hz: Array) -> Array:
    """Each group's variance in each line, ``(n_groups, n_quantities, n_lines)``.

    What `without_lines` took out of the usable bins; of lines in one lobe each bin's goes to them
    by their shapes, weighted as the whole record has them.
    """
    result = np.zeros((*spectra.group_psd.shape[:2], len(frequency_hz)))
    taken = (spectra.group_psd - without.group_psd) * spectra.usable_bins
    for lobe in lobes(spectra, frequency_hz):
        excess = taken[:, :, lobe.inside]
        at = spectra.frequency_hz[lobe.inside] - frequency_hz[list(lobe.lines), None]
        shapes = line_shape(at / spectra.frequency_step_hz)  # (n_lines, n_inside)
        shares = _split(np.average(excess, axis=0, weights=spectra.group_segments), shapes)
        summed = np.einsum("gqb,qlb->gql", excess, shares) * spectra.frequency_step_hz
        result[:, :, lobe.lines] = summed
    return result


def _split(excess: Array, shapes: Array) -> Array:
    """Share of each bin ``(n_quantities, n_lines, n_inside)`` that each of the lines has."""
    powers = np.maximum(excess @ np.linalg.pinv(shapes, rcond=REACHES), 0.0)
    powers = np.where(powers.sum(axis=1, keepdims=True) > 0, powers, 1.0)
    parts = powers[:, :, None] * np.maximum(shapes, np.finfo(float).tiny)
    return np.asarray(parts / parts.sum(axis=1, keepdims=True))


@dataclass(frozen=True)
class _Background:
    """What the bins beside a lobe let expect in it, linear in them."""

    weights: Array  # (n_quantities, n_inside, n_beside), on the densities beside
    inside: Array  # (n_quantities, n_inside), of the whole record
    beside: Array  # (n_quantities, n_beside), as fitted

    def matrix(self, beside: Complex, components: list[int]) -> Complex:
        """Cross-spectra ``(n_groups, n_inside, c, c)`` from ``(n_groups, n_beside, c, c)``.

        Off the diagonal by the mean of both components' weights, as coherences, so that components
        in step stay so.
        """
        inside = np.sqrt(self.inside[components])
        sides = np.sqrt(self.beside[components])
        own = self.weights[components] * (sides[:, None] / inside[:, :, None]) ** 2
        coherent = beside / np.einsum("in,jn->nij", sides, sides)
        first = np.einsum("gnij,ibn->gbij", coherent, own, optimize=True)
        second = np.einsum("gnij,jbn->gbij", coherent, own, optimize=True)
        return np.asarray((first + second) / 2 * np.einsum("ib,jb->bij", inside, inside))


def _background(spectra: ReducedSpectra, lobe: Lobe) -> _Background:
    """By the curve's likelihood, and its slopes with the densities beside the lobe."""
    bins = np.arange(len(spectra.frequency_hz), dtype=float)
    x = bins - bins[lobe.inside].mean()
    on_both = min((x[lobe.beside] < 0).sum(), (x[lobe.beside] > 0).sum()) >= FEWEST_SIDE_BINS
    x /= max(float(np.abs(x[lobe.beside]).max(initial=1.0)), 1.0)
    terms = np.array([np.ones_like(x), x, x**2] if on_both else [np.ones_like(x)])
    at, sides = terms[:, lobe.inside], terms[:, lobe.beside]
    psd = spectra.psd
    weights = np.zeros((len(psd), at.shape[1], sides.shape[1]))
    inside, beside = np.ones(weights.shape[:2]), np.ones((len(psd), sides.shape[1]))
    for row, values in enumerate(psd):
        near = values[lobe.beside]
        if not len(near) or not (near > 0).all():
            continue
        scale = float(near.mean())
        own = _reciprocal(near / scale, sides)
        eta = own @ sides
        level = 1 / np.maximum(own @ at, eta.min() / LARGEST_RISE)
        information = (sides / eta**2) @ sides.T
        slopes = level[:, None] ** 2 * (at.T @ np.linalg.solve(information, sides))
        # the densities scaled, the curve is: weights times densities are the curve itself
        slopes *= (level / (slopes @ (1 / eta)))[:, None]
        weights[row], inside[row], beside[row] = slopes, scale * level, scale / eta
    return _Background(weights, inside, beside)


def _reciprocal(density: Array, terms: Array) -> Array:
    """Coefficients of the reciprocal of a density by Whittle's likelihood, which is convex in them.

    Maximises Σ log η - η I over η = c · terms, from a flat start of mean 1; the fitted density then
    sums to the measured one.
    """
    own = np.zeros(len(terms))
    own[0] = 1 / density.mean()
    eta = own @ terms
    best = float(np.sum(np.log(eta) - eta * density))
    for _ in range(MOST_STEPS):
        slope = terms @ (1 / eta - density)
        step = np.linalg.solve((terms / eta**2) @ terms.T, slope)
        if float(slope @ step) < 1e-8:
            break
        size = 1.0
        while size > 1e-6:
            trial = own + size * step
            eta_trial = trial @ terms
            if (eta_trial > 0).all():
                value = float(np.sum(np.log(eta_trial) - eta_trial * density))
                if value > best:
                    own, eta, best = trial, eta_trial, value
                    break
            size /= 2
        else:
            break
    return own
