"""From the spectra of logged channels to those of coefficients, the rig's response removed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.segments import SegmentSpectra, few_bins
from buffet.spectral.uncertainty import half_width, variance_of_mean
from ingest import Channel, Quantity, RigResponse

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# The bins below this hold what the window leaks of the mean: spectra start above them.
FIRST_BIN = 2
# Bins from the first up that stand for a spectrum's value at zero.
MEAN_BINS = 3
# Cosine terms of the segments' means: few reach lowest, many scatter least (simulated: a mean over
# states that change every 5 s is covered in 93.8 % of records of 60 s, with 4 for 3 in 92.8 %).
SLOW_TERMS = (24, 3)
# Level at which the means' scatter is told from that of the lowest bins.
SLOW_LEVEL = 0.005


@dataclass(frozen=True)
class ReducedSpectra:
    """Segment spectra of quantities; a group is one or more neighbouring segments."""

    quantities: tuple[Quantity, ...]
    components: tuple[str, ...]  # of `group_matrix`: the six force and moment words measured
    frequency_hz: Array  # (n_bins,)
    frequency_step_hz: float
    usable_hz: Array  # (n_quantities,), upper end of the trusted band
    duration_s: float
    effective_segments: float
    group_segments: Array  # (n_groups,)
    group_psd: Array  # (n_groups, n_quantities, n_bins)
    group_matrix: Complex  # (n_groups, n_bins, n_components, n_components)
    mean: Array  # (n_quantities,)
    group_mean: Array  # (n_groups, n_quantities), about `mean`
    below_resolution: Array  # (n_quantities,), variance of the moments less that of all bins
    gain: Complex  # (n_channels, n_bins), what took the channels' readings to the truth

    @cached_property
    def psd(self) -> Array:
        """Averaged PSD, shape ``(n_quantities, n_bins)``."""
        psd = over_groups(self.group_psd, self.group_segments)
        psd.setflags(write=False)
        return psd

    @property
    def usable_bins(self) -> NDArray[np.bool_]:
        """Which bins each quantity may use, shape ``(n_quantities, n_bins)``."""
        return self.frequency_hz <= self.usable_hz[:, None]

    @property
    def mean_variance(self) -> Array:
        """Variance of the mean, shape ``(n_quantities,)``."""
        return self._mean_scatter[0]

    @property
    def mean_freedom(self) -> Array:
        """Degrees of freedom of `mean_variance`, shape ``(n_quantities,)``."""
        return self._mean_scatter[1]

    @property
    def slow_means(self) -> NDArray[np.bool_]:
        """Which means scatter by something slower than a segment, shape ``(n_quantities,)``."""
        return self._mean_scatter[2]

    @cached_property
    def _mean_scatter(self) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Variance of the means, its degrees of freedom, and whether slow changes rule it.

        By the integral time scale, 2 σ² T_I / T = S(0) / (2 T) for a one-sided S (Tennekes & Lumley
        1972, section 6.4), with S(0) from the lowest bins that hold no mean: sharp, but blind to
        what is slower than a segment. Where the segments' own means scatter clearly more than
        that, they tell it instead, by their first 24 or 3 cosine terms, whichever leaves the
        wider interval (states that change every 5 s: the first covers 28 % of truths).
        """
        from scipy.special import fdtrc

        variance = self.psd[:, 1 : 1 + MEAN_BINS].mean(axis=1) / (2 * self.duration_s)
        freedom = np.full(len(variance), self.effective_segments * 2 * MEAN_BINS)
        share = self.group_segments / self.group_segments.mean()
        terms = [max(1, min(most, len(share) // 2)) for most in SLOW_TERMS]
        slow = [variance_of_mean(self.group_mean * share[:, None], n) for n in terms]
        with np.errstate(divide="ignore", invalid="ignore"):
            chance = [fdtrc(n, freedom, own / variance) for n, own in zip(terms, slow, strict=True)]
        is_slow = np.min(chance, axis=0) < SLOW_LEVEL
        wide, narrow = slow
        is_wide = is_slow & (half_width(wide, terms[0]) >= half_width(narrow, terms[1]))
        freedom = np.select([is_wide, is_slow], [terms[0], terms[1]], freedom)
        return np.select([is_wide, is_slow], [wide, narrow], variance), freedom, is_slow

    @property
    def unresolved_share(self) -> Array:
        """Share of the variance below the first bin of a spectrum, ``(n_quantities,)``."""
        total = np.average(self.group_totals(), axis=0, weights=self.group_segments)
        low = self.psd[:, :FIRST_BIN].sum(axis=1) * self.frequency_step_hz + self.below_resolution
        return np.asarray(np.clip(low / np.where(total > 0, total, np.inf), 0, 1))

    def group_totals(self) -> Array:
        """Each group's variance over the trusted band, shape ``(n_groups, n_quantities)``."""
        in_bins = np.einsum("gqf,qf->gq", self.group_psd, self.usable_bins.astype(float))
        return np.asarray(in_bins * self.frequency_step_hz + self.below_resolution)

    def index(self, name: str) -> int | None:
        """Position of the quantity of that name, or None."""
        names = [quantity.name for quantity in self.quantities]
        return names.index(name) if name in names else None

    def measured(self, measures: str) -> int | None:
        """Position of the first quantity that measures this, or None."""
        words = [quantity.measures for quantity in self.quantities]
        return words.index(measures) if measures in words else None


def reduce(
    spectra: SegmentSpectra,
    channels: Sequence[Channel],
    quantities: Sequence[Quantity],
    rig: RigResponse,
) -> ReducedSpectra:
    """Apply the quantities' rows to a record's spectra.

    Parameters
    ----------
    channels : of `spectra`, in its order
    quantities : their rows refer to `channels`
    rig : takes each channel's reading to the truth and ends its band
    """
    bins = spectra.settings.retained_bins
    frequency = spectra.frequency_hz[:bins]
    gain = np.array([rig.gain(frequency, channel) for channel in channels])
    rows = np.array([quantity.fluctuation_row for quantity in quantities])
    mean_rows = np.array([quantity.row for quantity in quantities])
    shares, matrix_rows, words = _component_rows(quantities, spectra.settings.cross_channels)
    limits = np.array([rig.usable_to_hz(channel) for channel in channels])
    uses = rows != 0
    usable_hz = np.array([limits[used].min() if used.any() else 0.0 for used in uses])
    groups = len(spectra.group_segments)
    group_psd = np.empty((groups, len(rows), bins))
    group_matrix = np.empty((groups, bins, len(words), len(words)), complex)
    for some in few_bins(bins, REDUCED_BINS):
        corrected = _corrected_matrix(spectra, gain, some)
        group_psd[..., some] = _group_psd(spectra, rows, gain, corrected, shares, some)
        group_matrix[:, some] = np.einsum(
            "qi,gfij,rj->gfqr", matrix_rows, corrected, matrix_rows, optimize=True
        )
    psd = over_groups(group_psd, spectra.group_segments)
    return ReducedSpectra(
        tuple(quantities),
        words,
        frequency,
        spectra.frequency_step_hz,
        usable_hz,
        spectra.duration_s,
        spectra.effective_segments,
        spectra.group_segments,
        group_psd,
        group_matrix,
        mean_rows @ spectra.mean + [quantity.mean_offset for quantity in quantities],
        spectra.group_mean @ mean_rows.T,
        _below_resolution(spectra, rows, np.where(frequency <= usable_hz[:, None], psd, 0.0)),
        gain,
    )


def over_groups(values: Array, group_segments: Array) -> Array:
    """Mean over a record's groups, each by its segments; `np.average` would copy them all."""
    return np.asarray(np.tensordot(group_segments / group_segments.sum(), values, axes=1))


def _corrected_matrix(spectra: SegmentSpectra, gain: Complex, bins: slice) -> Complex:
    """Matrices of the kept channels' true values, ``(n_groups, bins, n_kept, n_kept)``."""
    own = gain[list(spectra.settings.cross_channels), bins]
    return np.asarray(spectra.group_matrix(bins) * np.einsum("if,jf->fij", own, np.conj(own)))


def _component_rows(
    quantities: Sequence[Quantity], kept: Sequence[int]
) -> tuple[dict[int, Array], Array, tuple[str, ...]]:
    """Rows of the quantities that live on the kept channels, and of the six components."""
    shares = {
        position: quantity.fluctuation_row[list(kept)]
        for position, quantity in enumerate(quantities)
        if kept and np.all(np.delete(quantity.fluctuation_row, kept) == 0)
    }
    words, rows = [], []
    for word in COMPONENTS:
        for position, row in shares.items():
            if quantities[position].measures == word:
                words.append(word)
                rows.append(row)
                break
    return shares, np.array(rows).reshape(len(rows), len(kept)), tuple(words)


# Bins whose matrices are reduced at a time: of six components and all groups 5 MB.
REDUCED_BINS = 64
COMPONENTS = ("drag", "side force", "lift", "roll moment", "pitch moment", "yaw moment")


def _group_psd(
    spectra: SegmentSpectra,
    rows: Array,
    gain: Complex,
    corrected: Complex,
    shares: dict[int, Array],
    bins: slice,
) -> Array:
    """Some bins of each quantity, ``(n_groups, n_quantities, bins)``."""
    result = np.empty((len(corrected), len(rows), corrected.shape[1]))
    for position, row in enumerate(rows):
        if position in shares:
            share = shares[position]
            value = np.einsum("i,gfij,j->gf", share, corrected, share, optimize=True).real
        else:
            channel = int(np.flatnonzero(row)[0])  # a lone tap or probe
            power = np.abs(gain[channel, bins]) ** 2 * row[channel] ** 2
            value = spectra.group_psd[:, channel, bins] * power
        result[:, position] = value
    return result


def _below_resolution(spectra: SegmentSpectra, rows: Array, truth: Array) -> Array:
    """Variance by the moments less the sum over all bins, as far as it belongs to usable ones.

    The two differ since the ends of a record weigh less in segments: slow changes show there, but
    so does the chance of any frequency, whose variance goes with the square of its density. Hence
    the best linear guess of the usable bins' part: their share of the squares. A resonance of the
    balance beyond the band, with fifty times the force's variance, would else lend it 2 % of that.
    What belongs to a bin is corrected as the bin is: `truth` ``(n_quantities, n_bins)`` are the
    corrected densities, zero where they are not used. A resonance of a tube would else lend its
    tap's variance what the correction takes out.
    """
    moments = np.array([combined_variance(spectra, row) for row in rows])
    psd = np.array([combined_psd(spectra, row) for row in rows]).reshape(
        len(rows), len(spectra.frequency_hz)
    )
    usable = np.sum(psd[:, : truth.shape[1]] * truth, axis=1)
    every = np.sum(psd**2, axis=1)
    missed = moments - psd.sum(axis=1) * spectra.frequency_step_hz
    return np.asarray(missed * usable / np.where(every > 0, every, 1.0))


def left_over(reduced: ReducedSpectra, psd: Array) -> Array:
    """What of `below_resolution` is left where the record has the densities `psd`, ``(n_q,)``.

    It goes as the squares of the densities.
    """
    before, after = (
        np.sum(density**2 * reduced.usable_bins, axis=1) for density in (reduced.psd, psd)
    )
    return np.asarray(after / np.where(before > 0, before, 1.0))


def combined_psd(spectra: SegmentSpectra, row: Array) -> Array:
    """PSD of a combination of channels with real weights ``(n_channels,)``, shape ``(n_bins,)``."""
    used = [int(i) for i in np.flatnonzero(row)]
    parts = [row[i] * row[j] * spectra.cross_psd(i, j).real for i in used for j in used]
    return np.asarray(np.sum(parts, axis=0)) if parts else np.zeros_like(spectra.psd[0])


def combined_variance(spectra: SegmentSpectra, row: Array) -> float:
    """Variance of a combination of channels with real weights ``(n_channels,)``."""
    used = np.flatnonzero(row)
    if len(used) == 1:
        return float(row[used[0]] ** 2 * spectra.variance[used[0]])
    own = row[list(spectra.settings.cross_channels)]
    return float(own @ spectra.covariance @ own)
