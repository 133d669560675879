"""What a wake asks of a record: fluctuations, shedding peaks, and how fast a motion grows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

from buffet.errors import PlanError
from buffet.planning.bandwidth import record_for_rms_s
from buffet.planning.demands import Demand
from buffet.planning.expected import POINTS, ExpectedSpectrum
from buffet.planning.wishes import Premises

# Of the second harmonic of a shedding peak: drag and lift may show twice what side force shows.
HARMONIC = 2.0
# Points of the expected spectrum beyond which a band is refused: seconds of work.
MOST_POINTS = 4_000_000
# Configuration of what is expected of all alike.
ANY = ""


@dataclass(frozen=True)
class Fluctuation:
    """One component of one configuration. Costs are variances of logarithms times T U / L."""

    configuration: str
    component: str
    cost: float  # of the RMS in the road band
    run_to_run: float  # relative standard deviation
    freedom: float = inf  # degrees of freedom behind it
    speed_scatter: float = 0.0  # relative standard deviation between wind speeds
    # How much more the records scatter than Gaussian noise of their spectrum, 1 where chance
    # explains it: bursts, changes of state.
    excess: float = 1.0
    is_speed_scatter_told: bool = False  # by several wind speeds of an earlier campaign


@dataclass(frozen=True)
class Shedding:
    """The wake's own peak in one configuration."""

    configuration: str
    component: str
    strouhal: float
    quality: float
    cost: float  # of the peak's frequency
    scatter: float  # from run to run, relative
    freedom: float = inf


@dataclass(frozen=True)
class Growth:
    """How the rated motion grows with road speed where it reaches its lower limit."""

    configuration: str
    onset_m_s: float | None  # None: of a stated power
    power: float  # d ln(motion) / d ln(V)


@dataclass(frozen=True)
class Subjects:
    """All that is planned for."""

    fluctuations: tuple[Fluctuation, ...]
    sheddings: tuple[Shedding, ...]
    growths: tuple[Growth, ...]


def expected_subjects(premises: Premises) -> Subjects:
    """Without an earlier campaign: one spectrum for all configurations."""
    spectrum = expected_spectra(premises)
    cost = max(record_for_rms_s(one.statistical_bandwidth, 1.0) for one in spectrum)
    scatter = premises["run_to_run"]
    lift = Fluctuation(ANY, "lift", cost, scatter, speed_scatter=premises["speed_scatter"])
    growth = Growth(ANY, None, premises["growth"])
    return Subjects((lift,), (expected_shedding(premises),), (growth,))


def expected_shedding(premises: Premises) -> Shedding:
    """The stated peak."""
    cost = max(one.frequency_variance() for one in expected_spectra(premises))
    return Shedding(
        ANY,
        "lift",
        premises["strouhal"],
        premises["quality"],
        cost,
        premises["strouhal_scatter"],
    )


def expected_spectra(premises: Premises) -> tuple[ExpectedSpectrum, ...]:
    """The stated peak on an even floor, in the band of the lowest and of the highest road speed.

    The band is widened where the peak and its second harmonic do not lie in it.

    Raises
    ------
    PlanError
        The peak is so narrow in the band that its spectrum cannot be summed.
    """
    strouhal, quality = premises["strouhal"], premises["quality"]
    length_m = premises["strouhal_length_m"] / premises["scale"]
    low_hz, high_hz = premises["band_hz"]
    found = tuple(
        ExpectedSpectrum(
            strouhal,
            quality,
            premises["peak_share"],
            (
                min(low_hz * length_m / speed, strouhal / HARMONIC),
                max(high_hz * length_m / speed, HARMONIC * strouhal),
            ),
        )
        for speed in premises["road_speeds_m_s"]
    )
    if max(one.n_points for one in found) > MOST_POINTS:
        peak_hz = strouhal * premises["road_speeds_m_s"][0] / length_m
        raise PlanError(
            f"band: got {low_hz:g} to {high_hz:g} Hz on the road, where the wake of a car of "
            f"{length_m:.4g} m (length over scale) sheds at {peak_hz:.2g} Hz in a peak "
            f"{peak_hz / quality:.2g} Hz wide; wanted a band of {MOST_POINTS / POINTS:.3g} such "
            "widths at most: check scale and length, end the band lower, or state a greater "
            "Strouhal number or a smaller Q"
        )
    return found


def demands(
    subjects: Subjects, premises: Premises, speeds_m_s: Sequence[float], segment_s: float
) -> tuple[Demand, ...]:
    """What every wish asks, of records at the slowest wind for RMS, of all of them for the rest."""
    return (
        *_rms(subjects, premises, speeds_m_s, segment_s),
        *_strouhal(subjects, premises, speeds_m_s, segment_s),
        *_onset(subjects, premises, speeds_m_s, segment_s),
    )


def _rms(
    subjects: Subjects, premises: Premises, speeds_m_s: Sequence[float], segment_s: float
) -> Iterable[Demand]:
    """At one wind speed, over the repeats there."""
    cells = len(premises["configurations"]) * len(speeds_m_s)
    slowest_s = premises["strouhal_length_m"] / min(speeds_m_s)
    for one in subjects.fluctuations:
        yield Demand(
            "RMS",
            one.configuration,
            one.component,
            premises["rms_within"],
            one.cost * slowest_s,
            one.run_to_run,
            1,
            cells,
            segment_s,
            known_freedom=one.freedom,
        )


def _strouhal(
    subjects: Subjects, premises: Premises, speeds_m_s: Sequence[float], segment_s: float
) -> Iterable[Demand]:
    """Over all runs of a configuration."""
    cells = len(premises["configurations"]) * len(speeds_m_s)
    for one in subjects.sheddings:
        yield Demand(
            "Strouhal number",
            one.configuration,
            one.component,
            premises["strouhal_within"],
            one.cost * _mean_advection_s(premises, speeds_m_s),
            one.scatter,
            len(speeds_m_s),
            cells,
            segment_s,
            known_freedom=one.freedom,
        )


def _onset(
    subjects: Subjects, premises: Premises, speeds_m_s: Sequence[float], segment_s: float
) -> Iterable[Demand]:
    """Over all runs of a configuration; an onset is off by the motion's error over its growth."""
    cells = len(premises["configurations"]) * len(speeds_m_s)
    for growth in subjects.growths:
        own = [one for one in subjects.fluctuations if one.configuration == growth.configuration]
        for one in (f for f in own if f.component == "lift"):
            yield Demand(
                "onset speed",
                one.configuration,
                one.component,
                growth.power * premises["onset_within"],
                one.cost * _mean_advection_s(premises, speeds_m_s),
                one.run_to_run,
                len(speeds_m_s),
                cells,
                segment_s,
                one.speed_scatter,
                one.freedom,
            )


def _mean_advection_s(premises: Premises, speeds_m_s: Sequence[float]) -> float:
    """L / U, mean over the wind speeds: variances of runs of one length average alike."""
    own = [premises["strouhal_length_m"] / speed for speed in speeds_m_s]
    return float(sum(own) / len(own))
