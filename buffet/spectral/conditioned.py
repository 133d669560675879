"""What of a record follows probes in the oncoming flow, and the record without it.

For probes X and a quantity Y the whole record's response H = S_yx S_xx⁻¹ tells what follows the
probes; Y - H X does not, and its spectrum is the conditioned one, S_yy - S_yx S_xx⁻¹ S_xy (Bendat &
Piersol 2010, Random Data, 4th ed., ch. 7). With H held, |Y - H X|² is linear in the segments'
spectra like everything else that is resampled, and since H makes it least, H's own scatter moves
it in second order only. That order is a bias, as large as n_probes of the n averages: an
unrelated probe has a coherence of 1/n (Carter, Knapp & Nuttall 1973, IEEE Trans. Audio
Electroacoust. 21, 337-344; here n counts overlapping segments for what they are worth).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.reduction import ReducedSpectra, left_over
from buffet.spectral.segments import SegmentSpectra
from ingest import PROBE

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Probes that tell the same to this share of their variance count as one.
SAME_PROBE = 1e-6
# Averages a probe needs before its part can be told from chance: with fewer, half of an unrelated
# spectrum would seem to follow it.
AVERAGES_PER_PROBE = 2.0


@dataclass(frozen=True)
class ProbeResponse:
    """How quantities follow probes, from all segments of a record."""

    probes: tuple[int, ...]  # channels
    frequency_hz: Array  # (n_bins,)
    response: Complex  # (n_quantities, n_probes, n_bins), zero for a probe's own quantity
    coherence: Array  # (n_quantities, n_bins), multiple where there are several probes
    averages: float  # independent segments

    @property
    def unbiased(self) -> float:
        """Factor that gives back what fitting the response took from the rest, n / (n - p)."""
        return self.averages / (self.averages - len(self.probes))

    def at(self, frequency_hz: Array) -> Complex:
        """The response on other bins, ``(n_quantities, n_probes, n)``."""
        flat = self.response.reshape(-1, len(self.frequency_hz))
        found = [
            np.interp(frequency_hz, self.frequency_hz, line.real)
            + 1j * np.interp(frequency_hz, self.frequency_hz, line.imag)
            for line in flat
        ]
        return np.array(found, complex).reshape(*self.response.shape[:2], len(frequency_hz))


@dataclass(frozen=True)
class ConditionedSpectra(ReducedSpectra):
    """Segment spectra of what does not follow the probes; the means keep what does."""

    as_read: ReducedSpectra

    @property
    def mean_variance(self) -> Array:
        """Of the means as read, which nothing is taken out of, ``(n_quantities,)``."""
        return self.as_read.mean_variance

    @property
    def mean_freedom(self) -> Array:
        """Degrees of freedom of `mean_variance`, ``(n_quantities,)``."""
        return self.as_read.mean_freedom


def has_probes(spectra: SegmentSpectra, probes: tuple[int, ...]) -> bool:
    """Whether the probes' cross-spectra with all other channels are kept."""
    kept = {frozenset(pair) for pair in spectra.settings.pairs}
    channels = range(len(spectra.mean))
    return all(frozenset((i, p)) in kept for p in probes for i in channels if i != p)


def probe_response(
    spectra: SegmentSpectra,
    reduced: ReducedSpectra,
    probes: tuple[int, ...],
) -> ProbeResponse:
    """The response of every quantity to the probes.

    Parameters
    ----------
    reduced : quantities of the same record
    probes : indices of the probes' channels; their cross-spectra with all others are kept
    """
    weights = reduced.group_segments
    inverse = _inverse(np.average(_probe_matrix(spectra, reduced, probes), axis=0, weights=weights))
    shape = (len(reduced.quantities), len(probes), len(reduced.frequency_hz))
    response, coherence = np.zeros(shape, complex), np.zeros((shape[0], shape[2]))
    psd = reduced.psd
    for index, quantity in enumerate(reduced.quantities):
        if quantity.measures == PROBE:
            continue
        cross = _cross(spectra, reduced, index, probes)
        mean = np.average(cross, axis=1, weights=weights)
        response[index] = np.einsum("pf,fpr->rf", mean, inverse)
        explained = np.sum(response[index] * np.conj(mean), axis=0).real
        coherence[index] = np.clip(explained / np.where(psd[index] > 0, psd[index], np.inf), 0, 1)
    return ProbeResponse(
        probes, reduced.frequency_hz, response, coherence, spectra.effective_segments
    )


def without_probes(
    spectra: SegmentSpectra,
    reduced: ReducedSpectra,
    follows: ProbeResponse,
    unbiased: float,
) -> ConditionedSpectra:
    """The spectra of Y - H X, group by group.

    Parameters
    ----------
    spectra, reduced : of one record, which need not be the one `follows` comes from
    unbiased : factor on the spectra; `follows.unbiased` on its own record, 1 on another
    """
    among = _probe_matrix(spectra, reduced, follows.probes)  # (n_groups, n_bins, p, p)
    response = follows.at(reduced.frequency_hz)
    places = [reduced.measured(word) for word in reduced.components]
    kept: dict[int, Complex] = {}
    psd = reduced.group_psd.copy()
    for index, quantity in enumerate(reduced.quantities):
        if quantity.measures == PROBE:
            continue
        cross = _cross(spectra, reduced, index, follows.probes)
        h = response[index]
        psd[:, index] += _change(h, h, cross, cross, among).real
        psd[:, index] *= unbiased
        if index in places:
            kept[index] = cross
    matrix = reduced.group_matrix.copy()
    for i, first in enumerate(places):
        for j, second in enumerate(places):
            assert first is not None
            assert second is not None
            pair = response[first], response[second], kept[first], kept[second]
            matrix[:, :, i, j] = (matrix[:, :, i, j] + _change(*pair, among)) * unbiased
    averages = max(reduced.effective_segments - len(follows.probes), 1.0)
    changed: dict[str, Any] = {
        "group_psd": psd,
        "group_matrix": matrix,
        "effective_segments": averages,
        "below_resolution": reduced.below_resolution
        * left_over(reduced, replace(reduced, group_psd=psd).psd),
    }
    as_read = {field.name: getattr(reduced, field.name) for field in fields(ReducedSpectra)}
    return ConditionedSpectra(**(as_read | changed), as_read=reduced)


def _change(first: Complex, second: Complex, a: Complex, b: Complex, among: Complex) -> Complex:
    """E[(Y - H X)(Z - K X)*] less E[Y Z*], ``(n_groups, n_bins)``.

    `first`, `second`: H and K ``(p, n_bins)``; `a`, `b`: E[Y X*] and E[Z X*], each
    ``(p, n_groups, n_bins)``; `among`: E[X X*].
    """
    own = np.einsum("pf,gfpr,rf->gf", first, among, np.conj(second), optimize=True)
    cross = np.einsum("pf,pgf->gf", np.conj(second), a) + np.einsum("pf,pgf->gf", first, np.conj(b))
    return np.asarray(own - cross)


def _probe_matrix(
    spectra: SegmentSpectra, reduced: ReducedSpectra, probes: tuple[int, ...]
) -> Complex:
    """E[X X*] of the probes, ``(n_groups, n_bins, n_probes, n_probes)``."""
    rows = [[_corrected(spectra, reduced, a, b) for b in probes] for a in probes]
    return np.asarray(np.array(rows).transpose(2, 3, 0, 1))


def _cross(
    spectra: SegmentSpectra, reduced: ReducedSpectra, index: int, probes: tuple[int, ...]
) -> Complex:
    """E[Y X*] of one quantity with each probe, ``(n_probes, n_groups, n_bins)``."""
    row = reduced.quantities[index].fluctuation_row
    shape = (len(probes), len(reduced.group_segments), len(reduced.frequency_hz))
    result = np.zeros(shape, complex)
    for channel in np.flatnonzero(row).tolist():
        for position, probe in enumerate(probes):
            result[position] += row[channel] * _corrected(spectra, reduced, channel, probe)
    return result


def _corrected(spectra: SegmentSpectra, reduced: ReducedSpectra, a: int, b: int) -> Complex:
    """Cross-spectra of two channels' true values, ``(n_groups, n_bins)``."""
    read = spectra.group_cross_psd(a, b, slice(len(reduced.frequency_hz)))
    return np.asarray(read * reduced.gain[a] * np.conj(reduced.gain[b]))


def _inverse(matrix: Complex) -> Complex:
    """Of the probes' matrix ``(n_bins, p, p)``; probes that tell the same share what they tell."""
    size = np.sqrt(np.einsum("fpp->fp", matrix).real)
    scale = 1 / np.where(size > 0, size, 1.0)
    scaled = matrix * scale[:, :, None] * scale[:, None, :]
    inverse = np.linalg.pinv(scaled, rcond=SAME_PROBE, hermitian=True)
    return np.asarray(inverse * scale[:, :, None] * scale[:, None, :])
