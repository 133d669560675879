"""One peak over several wind speeds: does it keep its frequency or its Strouhal number?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import exp, lgamma, log, pi, sqrt
from typing import Literal

ClassName = Literal["scales with speed", "fixed frequency", "undecided"]
SCALES: ClassName = "scales with speed"
FIXED: ClassName = "fixed frequency"
UNDECIDED: ClassName = "undecided"

# Relative standard deviation of one peak's frequency, or Strouhal number, from run to run and
# speed to speed beyond the fits' own errors: a Reynolds number's drift, wind speed against fan
# speed, a mount that is tightened. Engineering judgement; without it two pure lines, known to
# 0.1 %, would never belong together.
SCATTER = 0.015
# Standard deviations beyond which a peak of another run is another peak.
GATE = 3.0
# Natural logarithm of the ratio of likelihoods from which a class is given: 20 to 1, where
# evidence begins to be "strong" (Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773-795, section
# 3.2). In simulated campaigns wrong classes stay below 2 %.
DECISIVE = log(20.0)
# Wind speeds within this of one another are one speed.
SAME_SPEED = 0.01
# p-value of the scatter within a track below which a hypothesis does not fit after all.
ABSURD = 1e-3


@dataclass(frozen=True)
class Sighting:
    """A peak in one run."""

    log_hz: float
    variance: float  # of the logarithm, from the fit
    narrow: bool  # a line, or hardly wider than the resolution; never taken for a broad one
    name: ClassName = UNDECIDED  # as far as it is known
    either: bool = False  # whether its width does not tell if it is narrow

    def is_like(self, other: Sighting) -> bool:
        """Whether both may be of one kind, narrow or broad."""
        return self.narrow == other.narrow or self.either or other.either

    def speaks_for(self, name: ClassName, own: Sighting) -> bool:
        """Whether it may belong to a track of a class and of one peak's kind."""
        return self.is_like(own) and self.name in (UNDECIDED, name)


@dataclass(frozen=True)
class Spectrogram:
    """All peaks of one quantity in one run and the band in which they were looked for."""

    speed_m_s: float | None  # None without wind
    low_hz: float
    high_hz: float
    sightings: tuple[Sighting, ...]

    def density(self, own: Sighting) -> float:
        """Peaks like it per unit of log frequency, one at least: how likely chance meets one."""
        alike = sum(map(own.is_like, self.sightings))
        return max(alike, 1) / log(self.high_hz / self.low_hz)


@dataclass(frozen=True)
class Evidence:
    """What the other runs say of one hypothesis."""

    log_ratio: float  # log-likelihood less that of peaks which have nothing to do with each other
    runs: int  # in which the peak should stand
    speeds_m_s: tuple[float, ...]  # of the runs in which it does; 0 without wind
    spread: float  # relative standard deviation of frequency, or of Strouhal number
    fits: bool  # whether the scatter is as large as the errors explain


NOTHING = Evidence(0.0, 0, (), 0.0, True)


@dataclass(frozen=True)
class Verdict:
    """A peak's class with both sides of the evidence."""

    name: ClassName
    why: str
    scaling: Evidence = NOTHING
    fixed: Evidence = NOTHING


@dataclass(frozen=True)
class _Track:
    """The peak itself and one peak of each other run that stands where a hypothesis wants it."""

    values: tuple[float, ...]  # log f, or log f less the logarithm of the speeds' ratio
    variances: tuple[float, ...]

    @cached_property
    def _weights(self) -> tuple[float, ...]:
        return tuple(1 / variance for variance in self.variances)

    @cached_property
    def _chi2(self) -> float:
        total = sum(self._weights)
        mean = sum(w * v for w, v in zip(self._weights, self.values, strict=True)) / total
        return sum(w * (v - mean) ** 2 for w, v in zip(self._weights, self.values, strict=True))

    @property
    def log_likelihood(self) -> float:
        """Gaussian, over a common mean of which nothing is known beforehand."""
        own = -0.5 * sum(log(2 * pi * variance) for variance in self.variances)
        return own - 0.5 * self._chi2 + 0.5 * log(2 * pi / sum(self._weights))

    @property
    def fits(self) -> bool:
        """By chi-square of the scatter about the mean."""
        from scipy.special import chdtrc

        freedom = len(self.values) - 1
        return freedom == 0 or float(chdtrc(freedom, self._chi2)) > ABSURD

    @property
    def spread(self) -> float:
        """Standard deviation of the values; none of a single one."""
        mean = sum(self.values) / len(self.values)
        squares = sum((value - mean) ** 2 for value in self.values)
        return sqrt(squares / max(len(self.values) - 1, 1))


def classify(runs: Sequence[Spectrogram]) -> tuple[tuple[Verdict, ...], ...]:
    """Class of every peak of one quantity in the runs of a configuration, run by run.

    Done twice: what the first pass classed does not speak for another class in the second, so
    that a line which crosses a shedding peak at one speed confuses neither.
    """
    first = _all_verdicts(runs)
    known = [
        replace(run, sightings=tuple(map(_with_name, run.sightings, verdicts)))
        for run, verdicts in zip(runs, first, strict=True)
    ]
    return _all_verdicts(known)


def _with_name(sighting: Sighting, verdict: Verdict) -> Sighting:
    return replace(sighting, name=verdict.name)


def _all_verdicts(runs: Sequence[Spectrogram]) -> tuple[tuple[Verdict, ...], ...]:
    return tuple(
        tuple(_verdict(own, run, [o for o in runs if o is not run]) for own in run.sightings)
        for run in runs
    )


def _verdict(own: Sighting, run: Spectrogram, others: Sequence[Spectrogram]) -> Verdict:
    """Class of a peak of `run` from the peaks of the other runs.

    Under either hypothesis a run at another speed shows the peak at a known place, up to errors
    and SCATTER, with a probability of which nothing is known, or peaks that are there by chance
    (probabilistic data association, Bar-Shalom & Tse 1975, from memory). The class is given
    where one hypothesis is DECISIVE times likelier than the other and than chance. Runs without
    wind can only speak for a constant frequency.
    """
    if run.speed_m_s is None:
        return Verdict(UNDECIDED, "there was no wind, or its speed is not known")
    elsewhere = [o for o in others if o.speed_m_s is not None and _differs(o, run.speed_m_s)]
    still = [other for other in others if other.speed_m_s is None]
    shifts = [log(other.speed_m_s / run.speed_m_s) for other in elsewhere if other.speed_m_s]
    scaling = _evidence(SCALES, own, run, elsewhere, shifts)
    fixed = max(
        _evidence(FIXED, own, run, elsewhere, [0.0] * len(elsewhere)),
        _evidence(FIXED, own, run, [*elsewhere, *still], [0.0] * len([*elsewhere, *still])),
        key=lambda evidence: evidence.log_ratio,
    )
    return Verdict(*_decided(scaling, fixed, bool(elsewhere), run.speed_m_s), scaling, fixed)


def _differs(other: Spectrogram, speed_m_s: float) -> bool:
    return other.speed_m_s is not None and abs(log(other.speed_m_s / speed_m_s)) > SAME_SPEED


def _evidence(
    name: ClassName,
    own: Sighting,
    beside: Spectrogram,
    runs: Sequence[Spectrogram],
    shifts: Sequence[float],
) -> Evidence:
    """For one hypothesis, which moves the peak by these logarithms from run to run."""
    rivals = [s for s in beside.sightings if s is own or s.speaks_for(name, own)]
    values, variances, speeds = [own.log_hz], [own.variance + SCATTER**2], []
    tested, by_chance = 0, 0.0
    for run, shift in zip(runs, shifts, strict=True):
        if not log(run.low_hz) < own.log_hz + shift < log(run.high_hz):
            continue
        tested += 1
        there = [s for s in run.sightings if s.speaks_for(name, own)]
        found = _match(own, rivals, there, shift)
        if found is not None:
            values.append(found.log_hz - shift)
            variances.append(found.variance + SCATTER**2)
            speeds.append(run.speed_m_s or 0.0)
            by_chance += log(run.density(own))
    if tested == 0:
        return NOTHING
    track, alone = (
        _Track(tuple(values), tuple(variances)),
        _Track(tuple(values[:1]), (variances[0],)),
    )
    # probability of standing in just these runs, mean over all probabilities of being seen
    seen = lgamma(len(speeds) + 1) + lgamma(tested - len(speeds) + 1) - lgamma(tested + 2)
    log_ratio = track.log_likelihood - alone.log_likelihood - by_chance + seen
    return Evidence(log_ratio, tested, tuple(speeds), track.spread, track.fits)


def _match(
    own: Sighting, rivals: Sequence[Sighting], there: Sequence[Sighting], shift: float
) -> Sighting | None:
    """The peak of another run that is `own` where the hypothesis holds: each nearest to the other.

    `rivals` are the peaks of `own`'s run: one that lies nearer has the better claim.
    """
    found = _nearest(own, there, shift)
    if found is None or abs(found.log_hz - own.log_hz - shift) > GATE * _error(own, found):
        return None
    return found if _nearest(found, rivals, -shift) is own else None


def _nearest(own: Sighting, others: Sequence[Sighting], shift: float) -> Sighting | None:
    """The peak nearest to where the hypothesis wants it."""
    wanted = own.log_hz + shift
    return min(others, key=lambda o: abs(o.log_hz - wanted) / _error(own, o), default=None)


def _error(one: Sighting, other: Sighting) -> float:
    """Standard deviation of the difference of two sightings of one peak."""
    return sqrt(one.variance + other.variance + 2 * SCATTER**2)


def _decided(
    scaling: Evidence, fixed: Evidence, has_speeds: bool, speed_m_s: float
) -> tuple[ClassName, str]:
    """The class and why."""
    winner, loser = (scaling, fixed) if scaling.log_ratio > fixed.log_ratio else (fixed, scaling)
    beaten = winner.log_ratio - max(loser.log_ratio, 0.0)
    if not has_speeds and (winner is scaling or beaten < DECISIVE):
        return UNDECIDED, "only one wind speed of this configuration was read: ask for all runs"
    if not winner.speeds_m_s:
        return UNDECIDED, (
            "no run at another wind speed shows it where a constant frequency or a constant "
            "Strouhal number would put it"
        )
    if not winner.fits:
        return UNDECIDED, "neither a constant frequency nor a constant Strouhal number fits"
    if beaten < DECISIVE:
        return UNDECIDED, _unclear(loser, beaten)
    held = "Strouhal number" if winner is scaling else "frequency"
    name = SCALES if winner is scaling else FIXED
    return name, (
        f"its {held} stays within {_percent(winner.spread)} {_places(winner, speed_m_s)} "
        f"(likelihood ratio {_odds(beaten)})"
    )


def _unclear(loser: Evidence, beaten: float) -> str:
    if loser.log_ratio > 0:
        return (
            "a constant frequency and a constant Strouhal number explain it nearly alike "
            f"(likelihood ratio {_odds(beaten)}): wind speeds further apart would tell"
        )
    return (
        "too few runs show it where a constant frequency or a constant Strouhal number would put "
        f"it (likelihood ratio to chance {_odds(beaten)})"
    )


def _percent(spread: float) -> str:
    return f"{max(100 * spread, 0.1):.1f} %"


def _places(evidence: Evidence, speed_m_s: float) -> str:
    """ "at 30, 40 and 50 m/s and without wind"."""
    speeds = sorted({*evidence.speeds_m_s, speed_m_s} - {0.0})
    shown = list(dict.fromkeys(f"{speed:.0f}" for speed in speeds))
    text = f"{', '.join(shown[:-1])} and {shown[-1]}" if len(shown) > 1 else shown[0]
    return f"at {text} m/s" + (" and without wind" if 0.0 in evidence.speeds_m_s else "")


def _odds(log_ratio: float) -> str:
    return "above 1000" if log_ratio > log(1000) else f"{exp(max(log_ratio, 0.0)):.2g}"
