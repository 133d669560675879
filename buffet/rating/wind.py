"""How the oncoming air stands to the car on the road: a wind from all sides, or shares given."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from buffet.errors import WindError
from buffet.spectral.locking import lock

Array = NDArray[np.float64]

# No car is driven in more; twelve Beaufort begin at 32.7 m/s (engineering judgement).
STRONGEST_M_S = 30.0
# Shares of time are written with a few digits, so that they need not sum to one exactly.
SUM_TOLERANCE = 0.01
LARGEST_YAW_RAD = pi / 2
# Where the density of yaw is integrated piece by piece, in its own widths; nothing lies beyond.
WIDTHS = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 9.0)
NODES = 12  # of Gauss's rule, a piece


@dataclass(frozen=True)
class Wind:
    """A wind whose direction is uniformly distributed and whose speed is Rayleigh distributed.

    Each horizontal component is then Gaussian with a standard deviation σ and independent of the
    other, and the mean speed is σ √(π/2) (textbook: Papoulis 1991, Probability, Random Variables,
    and Stochastic Processes, from memory; winds at one place are usually called Weibull
    distributed with a shape near 2, which is Rayleigh's). `mean_speed_m_s` is that at the car's
    height, averaged over all that is driven, whatever the direction.

    Both components count: at a road speed V the air comes from ψ = atan2(w, V + u) with a speed
    whose square is (V + u)² + w².

    Raises
    ------
    WindError
        The mean speed is not above 0, or above all that is driven in.
    """

    mean_speed_m_s: float

    def __post_init__(self) -> None:
        if not 0 < self.mean_speed_m_s <= STRONGEST_M_S:
            raise WindError(
                f"got a mean wind speed of {self.mean_speed_m_s:g} m/s; wanted more than 0 and at "
                f"most {STRONGEST_M_S:g} m/s"
            )

    @property
    def symmetrical(self) -> bool:
        """From the left as often as from the right."""
        return True

    @property
    def text(self) -> str:
        """In a few words."""
        return f"wind of {self.mean_speed_m_s:.3g} m/s mean"

    @property
    def component_m_s(self) -> float:
        """Standard deviation of each horizontal component."""
        return self.mean_speed_m_s * sqrt(2 / pi)

    def expectation(self, knots_rad: Array, speeds_m_s: Array, power: int = 0) -> Array:
        """Expected hat functions of yaw, times the air's speed over the road speed to a power.

        They are the weights of `knots_rad` in the expectation of what is linear in yaw between
        them and constant beyond. Power 0 gives shares of time, 2 what a mean load counts, 4 what
        a variance does, since loads follow the square of the air's speed.

        Parameters
        ----------
        knots_rad : (n_knots,), rising, within ±π/2
        speeds_m_s : (n_speeds,), of the road

        Returns
        -------
        (n_knots, n_speeds)
        """
        yaw, weight = self._rule(knots_rad, speeds_m_s)
        density = weight * self._density(yaw, speeds_m_s, power)
        return np.array([np.sum(density * _hat(yaw, knots_rad, k), 1) for k in _each(knots_rad)])

    def beyond(self, yaw_rad: float, speeds_m_s: Array) -> Array:
        """Share of the time with more yaw than this, to either side, ``(n_speeds,)``."""
        edges = np.array([-yaw_rad, yaw_rad])
        yaw, weight = self._rule(edges, speeds_m_s)
        inside = np.abs(yaw) <= yaw_rad
        shares = np.sum(weight * inside * self._density(yaw, speeds_m_s, 0), axis=1)
        return np.asarray(np.clip(1 - shares, 0, 1))

    def _density(self, yaw_rad: Array, speeds_m_s: Array, power: int) -> Array:
        """Of yaw, times the mean of the air's speed there over the road speed to a power.

        The angle of a Gaussian vector that is not centred (projected normal distribution; Mardia &
        Jupp 2000, Directional Statistics, from memory): with κ = V/σ the density of yaw and of
        the air's speed r σ is r/2π · exp(-(r² - 2 r κ cos ψ + κ²)/2), integrated over r here.
        """
        ratio = (speeds_m_s / self.component_m_s)[:, None]
        along = ratio * np.cos(yaw_rad)
        across = ratio * np.sin(yaw_rad)
        moment = _gaussian_moment(along, power + 1)
        return np.asarray(np.exp(-(across**2) / 2) * moment / (2 * pi) / ratio**power)

    def _rule(self, knots_rad: Array, speeds_m_s: Array) -> tuple[Array, Array]:
        """Yaw angles over the whole circle and their weights, ``(n_speeds, n)`` each.

        Gauss's rule between all places where hats or density turn.
        """
        width = self.component_m_s / speeds_m_s[:, None]
        sides = np.clip(np.outer(width, [-w for w in WIDTHS[::-1]] + list(WIDTHS)), -pi, pi)
        knots = np.broadcast_to(knots_rad, (len(speeds_m_s), len(knots_rad)))
        ends = np.broadcast_to([-pi, pi], (len(speeds_m_s), 2))
        edges = np.sort(np.concatenate([sides, knots, ends], axis=1), axis=1)
        place, weight = np.polynomial.legendre.leggauss(NODES)
        half = np.diff(edges, axis=1)[..., None] / 2
        middle = (edges[:, 1:] + edges[:, :-1])[..., None] / 2
        n = len(speeds_m_s)
        return (middle + half * place).reshape(n, -1), (half * weight).reshape(n, -1)


@dataclass(frozen=True, eq=False)
class YawShares:
    """Yaw angles of the oncoming air and the share of time at each, at every road speed.

    Raises
    ------
    WindError
        Nothing is given, an angle or share cannot be, or the shares do not sum to one.
    """

    yaw_rad: Array  # (n,), nose right positive
    share: Array  # (n,)
    name: str = "as stated"
    sha256: str | None = None  # hex, of a file's bytes

    def __post_init__(self) -> None:
        if problem := _problem(self.yaw_rad, self.share):
            raise WindError(f"shares of yaw angles {self.name}: {problem}")
        object.__setattr__(self, "share", self.share / self.share.sum())
        lock(self)

    @classmethod
    def of_either_side(
        cls, yaw_rad: Array, share: Array, name: str = "as stated", sha256: str | None = None
    ) -> YawShares:
        """Half of each share to the right and half to the left."""
        half = share / 2
        return cls(np.concatenate([yaw_rad, -yaw_rad]), np.concatenate([half, half]), name, sha256)

    @property
    def symmetrical(self) -> bool:
        """From the left as often as from the right."""
        mirrored = [float(self.share[np.isclose(self.yaw_rad, -yaw)].sum()) for yaw in self.yaw_rad]
        own = [float(self.share[np.isclose(self.yaw_rad, yaw)].sum()) for yaw in self.yaw_rad]
        return bool(np.allclose(mirrored, own))

    @property
    def text(self) -> str:
        """In a few words."""
        return f"wind by shares of yaw, {self.name}"

    def expectation(self, knots_rad: Array, speeds_m_s: Array, power: int = 0) -> Array:
        """As `Wind.expectation`; the air is taken to be as fast as the car, whatever the power."""
        hats = [_hat(self.yaw_rad, knots_rad, k) @ self.share for k in _each(knots_rad)]
        return np.repeat(np.array(hats)[:, None], len(speeds_m_s), axis=1)

    def beyond(self, yaw_rad: float, speeds_m_s: Array) -> Array:
        """Share of the time with more yaw than this, to either side, ``(n_speeds,)``."""
        share = float(self.share[np.abs(self.yaw_rad) > yaw_rad + 1e-9].sum())
        return np.full(len(speeds_m_s), share)


YawDistribution = Wind | YawShares


def _problem(yaw_rad: Array, share: Array) -> str | None:
    if yaw_rad.ndim != 1 or yaw_rad.shape != share.shape or not len(yaw_rad):
        return "wanted one share for each yaw angle, and at least one of them"
    if not (np.abs(yaw_rad) <= LARGEST_YAW_RAD).all():
        return "wanted yaw angles from -90 to 90 deg"
    if not (share >= 0).all() or not isfinite(float(share.sum())):
        return "wanted shares of 0 or more"
    if abs(share.sum() - 1) > SUM_TOLERANCE:
        return f"the shares sum to {share.sum():.4g}; wanted 1"
    return None


def _each(knots_rad: Array) -> range:
    return range(len(knots_rad))


def _hat(yaw_rad: Array, knots_rad: Array, index: int) -> Array:
    """One at a knot, zero at the others, linear between them and constant beyond them all."""
    return np.asarray(np.interp(yaw_rad, knots_rad, np.eye(len(knots_rad))[index]))


def _gaussian_moment(distance: Array, order: int) -> Array:
    """∫ r^n exp(-(r - d)²/2) dr over r > 0; by parts, I_n = d I_(n-1) + (n-1) I_(n-2)."""
    from scipy.special import ndtr

    before = sqrt(2 * pi) * ndtr(distance)
    last = distance * before + np.exp(-(distance**2) / 2)
    for n in range(2, order + 1):
        before, last = last, distance * last + (n - 1) * before
    return np.asarray(np.maximum(last, 0.0))
