"""A free decay as a sum of damped oscillations, by least squares in the time domain.

After an impulse each mode rings as A e^(-σ t) cos(ω_d t + φ) with σ = 2π ζ f_n and
ω_d = 2π f_n √(1 - ζ²) (Bendat & Piersol 2010, Random Data, 4th ed., section 2.4), so that
f_n = |σ + i ω_d| / 2π and ζ = σ / |σ + i ω_d|. A filter of the logger changes amplitudes and
phases, not σ and ω_d, once its own transient is over.

Modes are added one by one, as in a peak fit: where the rest matches a damped oscillation best,
then all of them again together. With white noise the fit is the likelihood's maximum, and its
standard errors are the Cramér-Rao bound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST_MODES = 5
# Of the decay's energy: what a mode must explain to be looked for.
LEAST_SHARE = 1e-3
# Schwarz 1978 asks for log n a parameter; a mode has four. Noise is not quite white and a decay
# not quite linear, so twice as much is asked for (engineering judgement).
EVIDENCE_PER_PARAMETER = 2.0
# Rates of decay that are tried first, times the record's length: from hardly to at once.
STARTS = (0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
# Rates of growth and decay times the record's length beyond which nothing is resolved.
LOWEST_RATE, HIGHEST_RATE = -1.0, 3000.0
HIGHEST_START_DAMPING = 0.5
MOST_STEPS = 60
SMALLEST_GAIN = 1e-9  # relative, of the squared residual, below which the fit has settled
# The residual's power between these shares of a mode's frequency is the noise that counts.
NOISE_BAND = (0.5, 2.0)


@dataclass(frozen=True)
class DampedMode:
    """One damped oscillation, with the standard errors of the fit."""

    rate_per_s: float  # σ
    angular_rad_s: float  # ω_d
    cosine: float  # amplitudes at the start
    sine: float
    log_frequency_error: float  # standard error of log f_n
    log_damping_error: float

    @property
    def natural_hz(self) -> float:
        """f_n, undamped."""
        return float(np.hypot(self.rate_per_s, self.angular_rad_s) / (2 * np.pi))

    @property
    def damping(self) -> float:
        """ζ, as a share of critical."""
        return float(self.rate_per_s / np.hypot(self.rate_per_s, self.angular_rad_s))

    @property
    def amplitude(self) -> float:
        """At the start."""
        return float(np.hypot(self.cosine, self.sine))

    def at(self, time_s: Array) -> Array:
        """The oscillation at times after the start, ``(n,)``."""
        phase = self.angular_rad_s * time_s
        wave = self.cosine * np.cos(phase) + self.sine * np.sin(phase)
        return np.asarray(np.exp(-self.rate_per_s * time_s) * wave)

    def envelope(self, time_s: Array) -> Array:
        """Its amplitude, ``(n,)``."""
        return np.asarray(self.amplitude * np.exp(-self.rate_per_s * time_s))


@dataclass(frozen=True)
class DecayFit:
    """What a decay is made of."""

    modes: tuple[DampedMode, ...]  # by energy, strongest first
    drift: tuple[float, float]  # offset, and slope a second
    time_s: Array  # (n,), from the start of the fit
    samples: Array  # (n,)

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return 1 / float(self.time_s[1])

    @property
    def straight(self) -> Array:
        """The drift, ``(n,)``."""
        return np.asarray(self.drift[0] + self.drift[1] * self.time_s)

    @cached_property
    def fitted(self) -> Array:
        """The modes and the drift, ``(n,)``."""
        return np.asarray(self.straight + sum(mode.at(self.time_s) for mode in self.modes))

    @property
    def residual(self) -> Array:
        """What the fit leaves, ``(n,)``."""
        return np.asarray(self.samples - self.fitted)

    @property
    def explained(self) -> float:
        """Share of the decay's energy about its mean that the fit explains."""
        about_mean = self.samples - self.samples.mean()
        return float(1 - np.sum(self.residual**2) / np.sum(about_mean**2))

    def energy(self, mode: DampedMode) -> float:
        """Sum of squares of one mode."""
        return float(np.sum(mode.at(self.time_s) ** 2))

    def only(self, mode: DampedMode) -> Array:
        """The samples without drift and all other modes, ``(n,)``."""
        return np.asarray(self.residual + mode.at(self.time_s))


def fit_decay(samples: Array, rate_hz: float, most_modes: int = MOST_MODES) -> DecayFit:
    """Fit as many modes as the decay shows, and a straight line below them.

    Parameters
    ----------
    samples : (n,)
        From the start of the free decay.
    """
    time_s = np.arange(len(samples)) / rate_hz
    model = _Model(time_s, samples)
    poles = np.empty((0, 2))
    linear, left = model.solve(poles)
    whole = float(np.sum((samples - samples.mean()) ** 2))
    while len(poles) < most_modes and left > LEAST_SHARE * whole:
        start = strongest_oscillation(samples - model.fitted(poles, linear), rate_hz)
        if start is None:
            break
        grown = model.refined(np.vstack([poles, start]))
        more, less = model.solve(grown)
        asked = 4 * EVIDENCE_PER_PARAMETER * np.log(len(samples))
        if left - less < LEAST_SHARE * whole or len(samples) * np.log(left / less) < asked:
            break
        poles, linear, left = grown, more, less
    poles = _apart(model, poles)
    return model.result(poles, model.solve(poles)[0])


def _apart(model: _Model, poles: Array) -> Array:
    """Without modes that lie within a stronger one's half-power band, or it within theirs.

    A mode whose frequency or damping changes with amplitude is fitted by two such; they cannot be
    told from it.
    """
    while len(poles) > 1:
        linear, _ = model.solve(poles)
        squares = linear[: 2 * len(poles)].reshape(-1, 2)
        energies = np.sum(squares**2, axis=1) / np.maximum(poles[:, 0], 1e-9)
        apart = np.abs(np.subtract.outer(poles[:, 1], poles[:, 1]))
        close = apart < np.maximum.outer(poles[:, 0], poles[:, 0])
        np.fill_diagonal(close, False)
        if not close.any():
            break
        both = np.argwhere(close)[0]
        poles = model.refined(np.delete(poles, both[np.argmin(energies[both])], axis=0))
    return poles


def refit(samples: Array, rate_hz: float, start: DampedMode) -> DampedMode:
    """One mode alone, from a start near it; no drift is left in `samples` ``(n,)``."""
    model = _Model(np.arange(len(samples)) / rate_hz, samples, drift=False)
    poles = model.refined(np.array([[start.rate_per_s, start.angular_rad_s]]))
    (mode,) = model.result(poles, model.solve(poles)[0]).modes
    return mode


def strongest_oscillation(samples: Array, rate_hz: float) -> Array | None:
    """σ and ω_d that match best, on a grid: a start for the fit; None where the record is short.

    The energy that an oscillation of rate σ takes up is near 2 |F|² / Σ e^(-2 σ t), with F the
    transform of the samples times e^(-σ t).
    """
    from scipy.fft import next_fast_len, rfft

    n = len(samples)
    length = next_fast_len(2 * n, real=True)
    frequency_hz = np.arange(length // 2 + 1) * (rate_hz / length)
    inside = (frequency_hz > 1.5 * rate_hz / n) & (frequency_hz < 0.5 * rate_hz)
    time_s = np.arange(n) / rate_hz
    best: tuple[float, Array | None] = (0.0, None)
    for share in STARTS:
        sigma = share * rate_hz / n
        fall = np.exp(-sigma * time_s)
        energy = np.abs(rfft(samples * fall, length)) ** 2 / np.sum(fall**2)
        slowest_hz = sigma / (2 * np.pi * HIGHEST_START_DAMPING)
        energy[~(inside & (frequency_hz > slowest_hz))] = 0.0
        top = int(np.argmax(energy))
        if energy[top] > best[0]:
            best = float(energy[top]), np.array([sigma, 2 * np.pi * frequency_hz[top]])
    return best[1]


class _Model:
    """Damped oscillations and a straight line under samples; amplitudes follow from the poles.

    Only σ and ω_d are searched, since the best amplitudes for given ones are a linear least
    squares fit (variable projection, Golub & Pereyra 1973, SIAM J. Numer. Anal. 10, 413-432).
    """

    def __init__(self, time_s: Array, samples: Array, *, drift: bool = True) -> None:
        self._time_s, self._samples = time_s, samples
        self._span_s = float(time_s[-1] + time_s[1])
        self._line = np.array([np.ones_like(time_s), time_s])[: 2 if drift else 0]

    def _basis(self, poles: Array) -> Array:
        """Rows cosine and sine of each pole, then the line, ``(2 n_poles + 2, n)``."""
        rows = []
        for sigma, omega in poles:
            fall = np.exp(-sigma * self._time_s)
            rows += [fall * np.cos(omega * self._time_s), fall * np.sin(omega * self._time_s)]
        return np.vstack([*rows, *self._line])

    def solve(self, poles: Array) -> tuple[Array, float]:
        """Best amplitudes, and the sum of squares they leave."""
        basis = self._basis(poles)
        if not len(basis):
            return np.empty(0), float(np.sum(self._samples**2))
        linear = np.asarray(np.linalg.lstsq(basis.T, self._samples, rcond=None)[0], float)
        return linear, float(np.sum((self._samples - linear @ basis) ** 2))

    def fitted(self, poles: Array, linear: Array) -> Array:
        """The model's samples."""
        return np.asarray(linear @ self._basis(poles))

    def _slopes(self, poles: Array, linear: Array) -> tuple[Array, Array]:
        """The basis, and the slopes with σ and ω_d of each pole times the span."""
        basis = self._basis(poles)
        scaled = self._time_s / self._span_s
        slopes = []
        for i in range(len(poles)):
            cosine, sine = basis[2 * i : 2 * i + 2]
            a, b = linear[2 * i : 2 * i + 2]
            slopes += [-scaled * (a * cosine + b * sine), scaled * (b * cosine - a * sine)]
        return basis, np.array(slopes)

    def refined(self, poles: Array) -> Array:
        """Poles of least squares, by damped Gauss-Newton steps."""
        linear, left = self.solve(poles)
        damping = 1e-3
        for _ in range(MOST_STEPS):
            basis, slopes = self._slopes(poles, linear)
            both = np.vstack([slopes, basis])
            square = both @ both.T
            square += damping * np.diag(np.diag(square))
            rest = self._samples - linear @ basis
            step = np.linalg.lstsq(square, both @ rest, rcond=None)[0][: len(slopes)]
            trial = self._bounded(poles + step.reshape(-1, 2) / self._span_s)
            more, less = self.solve(trial)
            if not less < left:
                damping *= 10
                if damping > 1e6:
                    break
                continue
            settled = left - less < SMALLEST_GAIN * left
            poles, linear, left = trial, more, less
            damping = max(damping / 10, 1e-9)
            if settled:
                break
        return poles

    def _bounded(self, poles: Array) -> Array:
        nyquist = np.pi * (len(self._time_s) - 1) / self._time_s[-1]
        sigma = np.clip(poles[:, 0], LOWEST_RATE / self._span_s, HIGHEST_RATE / self._span_s)
        return np.column_stack([sigma, np.clip(poles[:, 1], 1e-3 / self._span_s, nyquist)])

    def result(self, poles: Array, linear: Array) -> DecayFit:
        """Modes with standard errors, strongest first."""
        basis, slopes = self._slopes(poles, linear)
        residual = self._samples - linear @ basis
        both = np.vstack([*slopes, *basis])
        inverse = np.linalg.pinv(both @ both.T)
        modes = []
        for i, (sigma, omega) in enumerate(poles):
            own = inverse[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] / self._span_s**2
            noise = self._noise_variance(residual, omega, len(both))
            errors = _log_errors(sigma, omega, noise * own)
            cosine, sine = map(float, linear[2 * i : 2 * i + 2])
            modes.append(DampedMode(float(sigma), float(omega), cosine, sine, *errors))
        drift = (float(linear[-2]), float(linear[-1])) if len(self._line) else (0.0, 0.0)
        found = DecayFit(tuple(modes), drift, self._time_s, self._samples)
        return replace(found, modes=tuple(sorted(modes, key=found.energy, reverse=True)))

    def _noise_variance(self, residual: Array, omega: float, n_parameters: int) -> float:
        """Of white noise as strong as the residual is overall, or around a mode if that is more."""
        from scipy.fft import rfft

        n = len(residual)
        overall = float(np.sum(residual**2)) / max(n - n_parameters, 1)
        natural = omega * self._span_s / (2 * np.pi)  # in bins
        power = np.abs(rfft(residual)) ** 2 / n
        band = power[max(round(NOISE_BAND[0] * natural), 1) : round(NOISE_BAND[1] * natural) + 1]
        taken_up = 2  # bins, by the four parameters of the mode itself
        around = float(band.sum()) / (len(band) - taken_up) if len(band) > 2 * taken_up else 0.0
        return max(overall, around)


def _log_errors(sigma: float, omega: float, covariance: Array) -> tuple[float, float]:
    """Standard errors of log f_n and log ζ from the covariance of σ and ω_d."""
    squared = sigma**2 + omega**2
    with_frequency = np.array([sigma, omega]) / squared
    with_damping = np.array([omega**2 / sigma if sigma else np.inf, -omega]) / squared
    if not np.isfinite(with_damping).all():
        return float(np.sqrt(with_frequency @ covariance @ with_frequency)), float("inf")
    return (
        float(np.sqrt(with_frequency @ covariance @ with_frequency)),
        float(np.sqrt(with_damping @ covariance @ with_damping)),
    )
