"""Whether campaigns planned for a half-width reach it: records of the planned length, simulated."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from buffet.planning.demands import Demand
from buffet.planning.plan import Plan, plan
from buffet.planning.subjects import expected_spectra
from buffet.planning.wishes import Wishes
from buffet.spectral.peaks import find_peaks
from buffet.spectral.reduction import FIRST_BIN
from tests.thorough.parallel import in_pieces
from tests.thorough.records import RATE_HZ, from_density
from tests.thorough.simulated import spectra_of

Array = NDArray[np.float64]

AT_ONCE = 20  # sets of repeats made together


@dataclass(frozen=True)
class PlannedKind:
    """A campaign that is planned, and what repeats scatter by."""

    name: str
    wishes: Wishes


# Frequencies of the wanted band stay below half the rate of the simulated records.
USUAL = Wishes(
    scale=0.3,
    strouhal_length_m=0.435,
    wind_speeds_m_s=(30.0, 30.1),
    road_speeds_m_s=(110 / 3.6, 160 / 3.6),
    band_hz=(1.0, 15.0),
    rms_within=0.05,
    run_to_run=1e-6,
    strouhal_scatter=1e-6,
    repeats=2,
    configurations=tuple("abcd"),
)
KINDS = (
    PlannedKind("Q 6, no scatter", USUAL),
    PlannedKind("Q 12, no scatter", replace(USUAL, quality=12.0)),
    PlannedKind("Q 6, repeats scatter by 1.5 %", replace(USUAL, run_to_run=0.015)),
    PlannedKind("half of it in the peak", replace(USUAL, peak_share=0.5)),
)


@dataclass
class Kept:
    """Sets of repeats, and those whose mean lay as near to the truth as was planned."""

    rms: int = 0
    strouhal: int = 0
    total: int = 0
    lost: int = 0  # no peak was found

    def add(self, other: Kept) -> None:
        """Take in another's counts."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


def demand_of(planned: Plan, wish: str) -> Demand:
    """The hardest of a wish."""
    return next(one.demand for one in planned.records.wishes if one.demand.wish == wish)


def planned_records(kind: PlannedKind, n_sets: int, seed: int = 0) -> Kept:
    """Sets of repeats with records just as long as the RMS needs, and as many single records.

    A record tells its peak's frequency to the half-width that the plan gives a single one.
    """
    rng = np.random.default_rng([71, seed])
    planned = plan(kind.wishes)
    kept = Kept()
    for start in range(0, n_sets, AT_ONCE):
        n = min(AT_ONCE, n_sets - start)
        kept.total += n
        kept.rms += _rms(planned, n, rng)
        found, lost = _strouhal(planned, n, rng)
        kept.strouhal += found
        kept.lost += lost
    return kept


def _simulated(
    planned: Plan, record_s: float, n: int, rng: np.random.Generator, *, beyond: bool = False
) -> Array:
    """Records at the slowest wind, of variance 1 in the band that is widest in Strouhal number.

    Peak and floor go on `beyond` the band where asked for.
    """
    premises = planned.premises
    advection_s = premises["strouhal_length_m"] / planned.sweep.slowest.speed_m_s
    spectrum = expected_spectra(premises)[0]

    def density(frequency_hz: Array) -> Array:
        strouhal = frequency_hz * advection_s
        inside = (strouhal >= spectrum.band[0]) & (strouhal <= spectrum.band[1])
        return np.asarray(np.where(inside | beyond, spectrum.psd(strouhal) * advection_s, 0.0))

    return from_density(density, n, record_s, rng)


def _rms(planned: Plan, n: int, rng: np.random.Generator) -> int:
    demand, repeats = demand_of(planned, "RMS"), planned.records.repeats
    records = _simulated(planned, demand.record_needed_s(repeats), n * repeats, rng)
    logs = np.log(records.std(axis=1)) + demand.run_to_run * rng.standard_normal(len(records))
    means = logs.reshape(n, repeats).mean(axis=1)
    return int(np.sum(np.abs(means) <= demand.within))


def _strouhal(planned: Plan, n: int, rng: np.random.Generator) -> tuple[int, int]:
    """Of one record each, fitted as recordings are."""
    demand = replace(demand_of(planned, "Strouhal number"), runs=1)
    record_s = planned.records.record_s
    within = demand.half_width(1, record_s)
    records = _simulated(planned, record_s, n, rng, beyond=True)
    spectra = spectra_of(records, 2 * round(demand.segment_s * RATE_HZ / 2))
    truth_hz = planned.sweep.slowest.shedding_hz
    logs = np.full(len(records), np.nan)
    for i, one in enumerate(spectra):
        usable = one.frequency_hz <= planned.sampling.needed_to_hz
        bins = np.flatnonzero(usable)[FIRST_BIN:]
        peaks = find_peaks(one.frequency_hz[bins], one.psd[0, bins], one.effective_segments)
        found = [log(peak.frequency_hz.value / truth_hz) for peak in peaks]
        logs[i] = min(found, key=abs, default=np.nan)
    return int(np.sum(np.abs(logs) <= within)), int(np.isnan(logs).sum())


def print_planned(n_sets: int) -> None:
    """Simulate every kind and print its shares."""
    print("share of sets of repeats as near to the truth as planned for 95 %")
    for kind, pieces in in_pieces(planned_records, KINDS, n_sets):
        kept = Kept()
        for piece in pieces:
            kept.add(piece)
        print(
            f"{kind.name}: RMS {kept.rms / kept.total:.1%}, Strouhal number "
            f"{kept.strouhal / kept.total:.1%} ({kept.lost} records without its peak)",
            flush=True,
        )
