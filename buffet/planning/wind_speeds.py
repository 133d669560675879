"""Wind speeds of the sweep: do they tell a peak that scales from one that does not?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor, log, log10

from buffet.road_speed import FullScale
from buffet.spectral.tracks import FIXED, SCALES, Sighting, Spectrogram, classify
from ingest import ROAD_AIR

# Two speeds can agree by chance; a third checks them (engineering judgement).
FEWEST_SPEEDS = 3
MOST_SPEEDS = 8
# Slowest over fastest: forces fall to a third, and still stand above a balance's noise
# (engineering judgement).
SLOWEST_SHARE = 0.6
LEAST_SHARE = 0.3  # below, forces are less than a tenth
SHARE_STEP = 0.05
# Wind speeds are set to half a metre a second, slow ones to about a percent of the fastest
# (engineering judgement).
COARSEST_M_S = 0.5
FINEST_SHARE = 1 / 80


@dataclass(frozen=True)
class WindSpeed:
    """One speed of the sweep and what it makes of the wake."""

    speed_m_s: float
    shedding_hz: float
    reynolds: float  # of the model, on its Strouhal length
    needed_hz: float  # model frequency of the band's upper end at the lowest road speed
    needed_fast_hz: float  # and at the highest


@dataclass(frozen=True)
class Sweep:
    """The wind speeds together."""

    speeds: tuple[WindSpeed, ...]  # slowest first
    tells_scaling: bool  # a shedding peak is found to scale
    tells_fixed: bool  # a peak of the rig is found to keep its frequency
    wider_share: float | None  # slowest over fastest that would tell both; None where none does
    wider_count: int  # of as many speeds, equal ratios apart
    road_reynolds: tuple[float, float]  # at the lowest and the highest road speed
    road_shedding_hz: tuple[float, float]  # likewise

    @property
    def tells(self) -> bool:
        """Whether flow is told from rig."""
        return self.tells_scaling and self.tells_fixed

    @property
    def slowest(self) -> WindSpeed:
        """The first."""
        return self.speeds[0]

    @property
    def fastest(self) -> WindSpeed:
        """The last."""
        return self.speeds[-1]


def spread_speeds(
    fastest_m_s: float, share: float = SLOWEST_SHARE, n: int = FEWEST_SPEEDS
) -> list[float]:
    """Equal ratios apart, so that neighbours tell a peak alike; rounded where all stay apart."""
    steps = [fastest_m_s * share ** (1 - i / (n - 1)) for i in range(n)]
    rounded = [*rounded_speeds(steps)[:-1], fastest_m_s]
    return rounded if all(a < b for a, b in pairwise(rounded)) else [*steps[:-1], fastest_m_s]


def rounded_speeds(speeds_m_s: Sequence[float]) -> list[float]:
    """To 1, 2 or 5 times a power of ten, no more than a percent or so of the fastest."""
    finest = max(speeds_m_s) * FINEST_SHARE
    power = floor(log10(finest))
    digit = next(one for one in (5, 2, 1) if one * 10.0**power <= finest * (1 + 1e-9))
    if digit * 10.0**power >= COARSEST_M_S:
        digit, power = 5, -1
    # Rounded again: steps of a tenth are not exact in binary.
    return [
        round(round(speed / (digit * 10.0**power)) * digit * 10.0**power, -power)
        for speed in speeds_m_s
    ]


def tells(
    speeds_m_s: Sequence[float], log_variance: float, shedding_per_m: float, reach_hz: float
) -> tuple[bool, bool]:
    """Whether a peak that scales, and one that stays, would be classed right at every speed.

    By the very likelihood ratio that recordings are classed with, of peaks that stand where they
    belong and are known as well as planned.

    Parameters
    ----------
    log_variance : of the logarithm of a peak's frequency in one run
    shedding_per_m : St / L, frequency over wind speed
    reach_hz : up to where peaks are looked for
    """

    def classed(moves: bool) -> set[str]:
        fastest = max(speeds_m_s)
        runs = [
            Spectrogram(
                speed,
                0.05 * shedding_per_m * speed,
                reach_hz,
                (
                    Sighting(
                        log(shedding_per_m * (speed if moves else fastest)), log_variance, False
                    ),
                ),
            )
            for speed in speeds_m_s
        ]
        return {verdict.name for run in classify(runs) for verdict in run}

    return classed(True) == {SCALES}, classed(False) == {FIXED}


def wider_share(
    fastest_m_s: float, n: int, log_variance: float, shedding_per_m: float, reach_hz: float
) -> float | None:
    """Largest share of slowest over fastest with which as many speeds would tell."""
    share = 1.0 - SHARE_STEP
    while share > LEAST_SHARE - 1e-9:
        speeds = spread_speeds(fastest_m_s, share, n)
        if all(tells(speeds, log_variance, shedding_per_m, reach_hz)):
            return share
        share -= SHARE_STEP
    return None


def model_reynolds(speed_m_s: float, length_m: float) -> float:
    """In the road's air, which a tunnel's resembles to a few percent."""
    return speed_m_s * length_m * ROAD_AIR.density_kg_m3 / ROAD_AIR.viscosity_pa_s


def road_reynolds(speed_m_s: float, length_m: float, scale: float) -> float:
    """Of the full-size car."""
    return FullScale(1.0, 1.0, length_m / scale, scale).reynolds(speed_m_s)
