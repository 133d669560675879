"""The plan of a campaign: from what is wanted, how to run it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import isfinite

from buffet.analysis import CampaignAnalysis, Failure
from buffet.planning.demands import Demand
from buffet.planning.earlier import EarlierCampaign, earlier_campaign
from buffet.planning.order import PlannedRun, order_runs
from buffet.planning.records import RecordPlan, plan_records
from buffet.planning.rig_needs import BalanceNeed, TubeNeed, tube_need
from buffet.planning.sampling import Sampling, model_hz, sampling
from buffet.planning.shortfalls import Shortfall, shortfalls
from buffet.planning.subjects import (
    ANY,
    HARMONIC,
    Growth,
    Shedding,
    Subjects,
    demands,
    expected_shedding,
    expected_subjects,
)
from buffet.planning.wind_speeds import (
    FEWEST_SPEEDS,
    Sweep,
    WindSpeed,
    model_reynolds,
    road_reynolds,
    spread_speeds,
    tells,
    wider_share,
)
from buffet.planning.wishes import Premises, Wishes, settle
from buffet.shown import Shown
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.resolution import BINS_PER_BANDWIDTH, segment_for_peaks_s
from ingest import CorrectionBounds

Progress = Callable[[str], None]

NO_PEAK = "no configuration of the earlier campaign sheds at a frequency of its own"
NO_ONSET = "no configuration of the earlier campaign reaches the lower limit of vertical motion"
NO_FLUCTUATION = "the earlier campaign shows no force above the wind-off noise in the band"


@dataclass(frozen=True)
class Storage:
    """Bytes of all recordings."""

    n_bytes: float
    of_a_run: float  # with wind


@dataclass(frozen=True)
class Plan(Shown):
    """How to run the next campaign, and what it will and will not reach."""

    premises: Premises
    subjects: Subjects
    sampling: Sampling
    records: RecordPlan
    sweep: Sweep
    balance: BalanceNeed
    tube: TubeNeed
    runs: tuple[PlannedRun, ...]
    storage: Storage
    tunnel_s: float  # records, what each run costs beside, and fitting
    shortfalls: tuple[Shortfall, ...]
    not_planned: tuple[tuple[str, str], ...]  # a wish that no length is told for, and why
    failed: tuple[Failure, ...] = ()  # runs of the earlier campaign that could not be read
    needs_resolution: bool = False  # finer bins than the program takes by itself

    @property
    def configurations(self) -> tuple[str, ...]:
        """Names, the baseline first."""
        names: tuple[str, ...] = self.premises["configurations"]
        return names

    @property
    def is_reached(self) -> bool:
        """Whether all that is wanted is reached."""
        return not self.shortfalls


def plan(
    wishes: Wishes,
    analysis: CampaignAnalysis | None = None,
    progress: Progress = lambda text: None,
) -> Plan:
    """Plan a campaign.

    Parameters
    ----------
    wishes : what is wanted and what there is; what is left out comes from the earlier campaign or
        from a stated default
    analysis : of an earlier campaign, whose spectra, scatter, peaks and onset are used

    Raises
    ------
    PlanError
        Scale, Strouhal length or wind speed is not known, or something cannot be.
    NotRateableError
        The earlier campaign states no model, or a run has no wind speed.
    """
    earlier = None if analysis is None else earlier_campaign(analysis, progress)
    premises = settle(wishes, {} if earlier is None else earlier.known())
    subjects = _subjects(premises, earlier)
    winds = _winds(premises)
    bounds = CorrectionBounds() if earlier is None else earlier.bounds
    speeds = tuple(_wind_speed(premises, subjects, wind) for wind in winds)
    segment_s = _segment_s(premises, subjects, min(winds))
    asked = demands(subjects, premises, winds, segment_s)
    records = plan_records(
        asked,
        segment_s,
        premises["repeats"],
        premises["longest_run_s"],
        premises["run_overhead_s"],
    )
    needed_hz = max(one.needed_hz for one in speeds)
    sampled = sampling(needed_hz, premises["filter_order"], premises["highest_rate_hz"])
    sweep = _sweep(premises, subjects, speeds, records, sampled)
    balance = BalanceNeed(
        speeds[0].needed_hz / bounds.usable_share_of_resonance,
        needed_hz / bounds.usable_share_of_resonance,
        premises["natural_frequency_hz"],
        bounds.usable_share_of_resonance,
        premises["model_mass_kg"],
    )
    tube = tube_need(premises["tube_bore_m"], premises["tube_volume_m3"], needed_hz, bounds)
    runs = order_runs(
        premises["configurations"], winds, records.repeats, records.record_s, records.wind_off_s
    )
    built = Plan(
        premises if earlier is None else premises.without(_unused(subjects)),
        subjects,
        sampled,
        records,
        sweep,
        balance,
        tube,
        runs,
        _storage(premises, sampled, runs, records),
        _tunnel_s(premises, runs, records.repeats),
        (),
        _not_planned(asked),
        () if earlier is None else earlier.failed,
        segment_s > segment_for_peaks_s(premises["strouhal_length_m"], min(winds)) * (1 + 1e-9),
    )
    return replace(built, shortfalls=shortfalls(premises, sampled, records, sweep, balance, tube))


def _subjects(premises: Premises, earlier: EarlierCampaign | None) -> Subjects:
    """Measured, but for what was asked for otherwise."""
    if earlier is None:
        return expected_subjects(premises)
    found = earlier.subjects(premises)
    if premises.is_asked("strouhal", "quality", "peak_share"):
        found = replace(found, sheddings=(expected_shedding(premises),))
    if premises.is_asked("growth"):
        names = dict.fromkeys(one.configuration for one in found.fluctuations)
        found = replace(
            found, growths=tuple(Growth(name, None, premises["growth"]) for name in names)
        )
    return found


def _unused(subjects: Subjects) -> set[str]:
    """Keys of what a plan from an earlier campaign rests on in no way unless it was asked for."""
    keys = {"strouhal", "quality", "peak_share", "strouhal_scatter", "run_to_run", "speed_scatter"}
    return keys - set(_used(subjects)) | {"growth"}


def _used(subjects: Subjects) -> Iterator[str]:
    """Keys of which the stated value is taken, since nothing measured stands in for it."""
    if not subjects.sheddings:
        yield "strouhal"  # of the sweep and the sample rate
    if any(one.configuration == ANY for one in subjects.sheddings):
        yield from ("strouhal", "quality", "peak_share")
    if any(not isfinite(one.freedom) for one in subjects.sheddings):
        yield "strouhal_scatter"
    if any(not isfinite(one.freedom) for one in subjects.fluctuations):
        yield "run_to_run"
    grow = {one.configuration for one in subjects.growths}
    if any(
        one.configuration in grow and one.component == "lift" and not one.is_speed_scatter_told
        for one in subjects.fluctuations
    ):
        yield "speed_scatter"


def _winds(premises: Premises) -> tuple[float, ...]:
    """Slowest first; a single one is the fastest of a sweep."""
    stated = sorted(set(premises["wind_speeds_m_s"]))
    return tuple(stated if len(stated) > 1 else spread_speeds(stated[0]))


def _strouhal_span(premises: Premises, subjects: Subjects) -> tuple[float, float]:
    """Lowest and highest Strouhal number to be shed at."""
    own = [one.strouhal for one in subjects.sheddings] or [float(premises["strouhal"])]
    return min(own), max(own)


def _wind_speed(premises: Premises, subjects: Subjects, wind_m_s: float) -> WindSpeed:
    """The band's upper end in the tunnel, and the highest peak's second harmonic at least."""
    scale, length_m = premises["scale"], premises["strouhal_length_m"]
    slow_road, fast_road = premises["road_speeds_m_s"]
    _, highest = _strouhal_span(premises, subjects)
    top = premises["band_hz"][1]
    harmonic_hz = HARMONIC * highest * wind_m_s / length_m
    return WindSpeed(
        wind_m_s,
        _typical_strouhal(premises, subjects) * wind_m_s / length_m,
        model_reynolds(wind_m_s, length_m),
        max(model_hz(top, wind_m_s, slow_road, scale), harmonic_hz),
        max(model_hz(top, wind_m_s, fast_road, scale), harmonic_hz),
    )


def _typical_strouhal(premises: Premises, subjects: Subjects) -> float:
    """Of the first configuration that sheds."""
    return subjects.sheddings[0].strouhal if subjects.sheddings else float(premises["strouhal"])


def _segment_s(premises: Premises, subjects: Subjects, slowest_m_s: float) -> float:
    """That resolves the narrowest peak and the band's lower end, and no shorter than usual."""
    length_m: float = premises["strouhal_length_m"]
    lowest_hz = model_hz(
        premises["band_hz"][0], slowest_m_s, premises["road_speeds_m_s"][1], premises["scale"]
    )
    peaks: Sequence[Shedding] = subjects.sheddings
    narrowest = max((one.quality / one.strouhal for one in peaks), default=0.0)
    return max(
        segment_for_peaks_s(length_m, slowest_m_s),
        BINS_PER_BANDWIDTH * narrowest * length_m / slowest_m_s,
        FIRST_BIN / lowest_hz,
    )


def _sweep(
    premises: Premises,
    subjects: Subjects,
    speeds: tuple[WindSpeed, ...],
    records: RecordPlan,
    sampled: Sampling,
) -> Sweep:
    length_m, scale = premises["strouhal_length_m"], premises["scale"]
    winds = [one.speed_m_s for one in speeds]
    cost = max((one.cost for one in subjects.sheddings), default=0.0)
    variance = cost * length_m / min(winds) / records.record_s
    per_m = _typical_strouhal(premises, subjects) / length_m
    reach_hz = sampled.usable_to_hz
    told = tells(winds, variance, per_m, reach_hz)
    count = max(len(winds), FEWEST_SPEEDS)
    wider = None if all(told) else wider_share(max(winds), count, variance, per_m, reach_hz)
    slow, fast = (road_reynolds(v, length_m, scale) for v in premises["road_speeds_m_s"])
    road_hz = tuple(per_m * scale * v for v in premises["road_speeds_m_s"])
    return Sweep(speeds, *told, wider, count, (slow, fast), (road_hz[0], road_hz[1]))


def _storage(
    premises: Premises, sampled: Sampling, runs: Sequence[PlannedRun], records: RecordPlan
) -> Storage:
    """Channels x rate x time x bytes a value."""
    per_s = premises["channels"] * sampled.rate_hz * premises["bytes_per_value"]
    return Storage(per_s * sum(run.record_s for run in runs), per_s * records.record_s)


def _tunnel_s(premises: Premises, runs: Sequence[PlannedRun], repeats: int) -> float:
    fitted = repeats * len(premises["configurations"])
    records_s = sum(run.record_s for run in runs)
    return float(records_s + len(runs) * premises["run_overhead_s"] + fitted * premises["refit_s"])


def _not_planned(asked: Sequence[Demand]) -> tuple[tuple[str, str], ...]:
    found = {demand.wish for demand in asked}
    whys = {"RMS": NO_FLUCTUATION, "Strouhal number": NO_PEAK, "onset speed": NO_ONSET}
    return tuple((wish, why) for wish, why in whys.items() if wish not in found)
