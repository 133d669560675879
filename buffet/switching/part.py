"""One state or two, of one run."""

from __future__ import annotations

from dataclasses import replace

from buffet.parts import Absent, PartSettings
from buffet.quantity_samples import held_in_samples, quantity_samples, true_to_hz
from buffet.road_speed import road_ratio
from buffet.run_analysis import NO_CHANGE, NO_COPY, NO_WIND
from buffet.run_spectra import RunResult, strouhal_per_hz
from buffet.spectral.uncertainty import run_seed
from buffet.switching.averaging import FEWEST
from buffet.switching.two_states import TwoStates, two_states


def of_run(result: RunResult, settings: PartSettings) -> TwoStates | Absent:
    """Of the samples as read: what follows a reference probe is in them, and wind-off noise."""
    analysis = result.analysis
    if analysis.run.kind == "wind-off":
        return Absent(NO_WIND)
    if analysis.copy is None:
        return Absent(NO_COPY)
    quantities = analysis.signal.quantities
    reach = [true_to_hz(analysis, i) or 0.0 for i in range(len(quantities))]
    alive = [i for i in range(len(quantities)) if reach[i] > 0 and not analysis.dead[i]]
    if not alive:
        return Absent(NO_CHANGE)
    found = two_states(
        quantity_samples(analysis, alive),
        analysis.copy.rate_hz,
        [quantities[i].name for i in alive],
        [quantities[i].unit for i in alive],
        [reach[i] for i in alive],
        run_seed(analysis.run.number, "switching"),
    )
    if not found.tests:
        return Absent(f"the record is too short for {FEWEST} averages that hold shedding within")
    per_hz = strouhal_per_hz(analysis)
    return replace(
        found,
        start_s=analysis.copy.start_s,
        road_per_model=road_ratio(analysis, settings.road_speed_m_s),
        lengths_per_s=None if per_hz is None else 1 / per_hz,
        holds_more=held_in_samples(analysis),
    )
