"""Energy in a band over time, and whether it comes more in bursts than noise does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock
from buffet.spectral.wavelet import (
    INFLUENCE_PER_SCALE,
    BandFilter,
    average_weights,
    scale_s,
    scales_between,
)

Array = NDArray[np.float64]

# Of a band: neighbours decorrelate over 0.6 of an octave (Torrence & Compo 1998, Table 2), so
# that four an octave leave nothing out.
SCALES_PER_OCTAVE = 4
# Records of steady noise drawn: their first three moments tell the probability, so that few do.
SURROGATES = 199
# Values in the surrogates at most; of a long record fewer are drawn, whose scatter is small.
MOST_VALUES = 20_000_000
FEWEST_SURROGATES = 99
BATCH_VALUES = 500_000  # drawn at once; 8 MB of complex numbers


@dataclass(frozen=True)
class Steady:
    """What steady Gaussian noise of the record's own spectrum does in the band."""

    flatness: Array  # (n_surrogates,)
    share_above: float  # mean share of time above the level
    longest_below_s: float  # 95 % of records have no longer spell below the level


@dataclass(frozen=True)
class BandEnergy:
    """Scale-averaged power of a band over time (Torrence & Compo 1998, eq. 24); arrays locked.

    The intermittency figure is the flatness of what Farge 1992 (Annu. Rev. Fluid Mech. 24,
    395-457) calls the local intermittency measure, I(t) = E(t) / <E>: <E²> / <E>² (Meneveau 1991,
    J. Fluid Mech. 232, 469-520), over its mean in Gaussian noise of the record's own spectrum. It
    is 1 for steady noise, and 1 / d for noise that is there for a share d of the time.
    """

    start_s: float  # of the first value, in the samples given
    step_s: float
    energy: Array  # (n,), unit², the cone of influence cut off
    influence_s: float  # cut off at either end
    level: float | None  # that red noise exceeds 5 % of the time, unit²
    steady: Steady

    def __post_init__(self) -> None:
        lock(self)
        lock(self.steady)

    @cached_property
    def flatness(self) -> float:
        """Mean square over squared mean."""
        return float(_flatness(self.energy))

    @cached_property
    def intermittency(self) -> float:
        """1 for steady Gaussian noise, larger for bursts, less for noise of steady amplitude."""
        return self.flatness / float(self.steady.flatness.mean())

    @cached_property
    def p_value(self) -> float:
        """Of as large a figure in steady Gaussian noise of the same spectrum.

        By a gamma distribution of the surrogates' first three moments (Pearson's type III) on the
        logarithm of the flatness.
        """
        logs = np.log(self.steady.flatness)
        spread = float(logs.std(ddof=1))
        off = (np.log(self.flatness) - float(logs.mean())) / spread
        skewness = float(np.mean((logs - logs.mean()) ** 3)) / spread**3
        return pearson_tail(off, skewness)

    @property
    def noise_to(self) -> float:
        """The figure that 95 % of records of steady noise stay below."""
        steady = self.steady.flatness
        return float(np.quantile(steady, 0.95) / steady.mean())

    @property
    def active_share(self) -> float:
        """Share of the time in which a band that is on or off would be on, one at most."""
        return min(1.0, 1 / self.intermittency)

    @property
    def share_above(self) -> float | None:
        """Of the time, in which the energy stands above the level of red noise."""
        return None if self.level is None else float(np.mean(self.energy > self.level))

    @property
    def longest_above_s(self) -> float | None:
        """Longest spell above the level."""
        return None if self.level is None else longest(self.energy > self.level) * self.step_s

    @property
    def longest_below_s(self) -> float | None:
        """Longest spell below it."""
        return None if self.level is None else longest(self.energy <= self.level) * self.step_s

    def in_columns(self, edges_s: Array) -> Array:
        """Mean energy between ``(n + 1,)`` times, ``(n,)``; not a number where nothing is known."""
        at_s = self.start_s + np.arange(len(self.energy)) * self.step_s
        middle = (edges_s[1:] + edges_s[:-1]) / 2
        counts, sums = (
            np.histogram(at_s, edges_s, weights=weights)[0] for weights in (None, self.energy)
        )
        between = np.interp(middle, at_s, self.energy)
        known = (middle >= at_s[0]) & (middle <= at_s[-1])
        mean = np.where(counts > 0, sums / np.maximum(counts, 1), between)
        return np.asarray(np.where(known, mean, np.nan))


def pearson_tail(off: float, skewness: float) -> float:
    """P(X > off) of a gamma distribution of mean 0, variance 1 and some skewness."""
    from scipy.special import gammainc, gammaincc, ndtr

    if abs(skewness) < 1e-3:
        return float(ndtr(-off))
    shape = 4 / skewness**2
    place = max(shape + 2 * off / skewness, 0.0)
    return float((gammaincc if skewness > 0 else gammainc)(shape, place))


def longest(inside: NDArray[np.bool_]) -> int:
    """Length of the longest run of true values."""
    changes = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    return int(np.max(changes[1::2] - changes[::2], initial=0))


def _flatness(energy: Array) -> Array:
    return np.asarray(np.mean(energy**2, axis=-1) / np.mean(energy, axis=-1) ** 2)


def band_scales(low_hz: float, high_hz: float) -> Array:
    """Scales of a band, ``(n_scales,)``."""
    return scales_between(low_hz, high_hz, SCALES_PER_OCTAVE)


def influence_s(low_hz: float) -> float:
    """What the ends of a record make doubtful of a band, at either end."""
    return float(INFLUENCE_PER_SCALE * scale_s(low_hz))


def band_energy(
    samples: Array,
    step_s: float,
    scales_s: Array,
    level: float | None,
    rng: np.random.Generator,
) -> BandEnergy:
    """Energy of a band over time, beside that of steady noise of the same spectrum.

    The noise is the record with the phases of its Fourier transform drawn afresh, which of
    stationary Gaussian noise gives another record of the same kind (Theiler et al. 1992, Physica D
    58, 77-94).

    Parameters
    ----------
    samples : (n,), in a unit
    scales_s : (n_scales,), of the band
    level : of the energy, unit², that the background exceeds 5 % of the time
    """
    from scipy.fft import rfft

    n = len(samples)
    band = BandFilter(n, step_s, scales_s, average_weights(scales_s, step_s))
    bins = rfft(samples - samples.mean())[band.kept]
    cut_s = float(INFLUENCE_PER_SCALE * scales_s.max())
    first = int(np.ceil(cut_s / band.step_s))
    inner = slice(first, int((n * step_s - cut_s) / band.step_s) + 1)
    energy = band.power(bins)[inner]
    steady = _steady(band, np.abs(bins), inner, level, rng)
    return BandEnergy(first * band.step_s, band.step_s, energy, cut_s, level, steady)


def _steady(
    band: BandFilter, sizes: Array, inner: slice, level: float | None, rng: np.random.Generator
) -> Steady:
    """Of records with these sizes of their Fourier transforms."""
    total = int(np.clip(MOST_VALUES // band.count, FEWEST_SURROGATES, SURROGATES))
    batch = max(1, BATCH_VALUES // band.count)
    flatness: list[Array] = []
    above: list[Array] = []
    below: list[int] = []
    for start in range(0, total, batch):
        shape = (min(batch, total - start), len(sizes))
        turned = sizes * np.exp(2j * np.pi * rng.random(shape))
        energy = band.power(turned)[:, inner]
        flatness.append(_flatness(energy))
        if level is not None:
            above.append(np.mean(energy > level, axis=1))
            below.extend(longest(row) for row in energy <= level)
    return Steady(
        np.concatenate(flatness),
        float(np.mean(np.concatenate(above))) if above else 0.0,
        float(np.quantile(below, 0.95)) * band.step_s if below else 0.0,
    )
