"""One state or two, of one run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from buffet.parts import Absent, PartSettings
from buffet.quantity_samples import held_in_samples, quantity_samples, true_to_hz
from buffet.road_speed import frequency_ratio
from buffet.run_spectra import RunResult, strouhal_per_hz
from buffet.spectral.uncertainty import run_seed
from buffet.switching.averaging import FEWEST
from buffet.switching.two_states import TwoStates, two_states


def of_run(result: RunResult, settings: PartSettings) -> TwoStates | Absent:
    """Of the samples as read: what follows a reference probe is in them, and wind-off noise."""
    analysis = result.analysis
    if analysis.run.kind == "wind-off":
        return Absent("there was no wind")
    if analysis.copy is None:
        return Absent("no samples of the run were kept")
    quantities = analysis.signal.quantities
    reach = [true_to_hz(analysis, i) or 0.0 for i in range(len(quantities))]
    alive = [i for i in range(len(quantities)) if reach[i] > 0 and not analysis.dead[i]]
    if not alive:
        return Absent("no quantity has a usable band")
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
    road = None
    if settings.road_speed_m_s is not None and per_hz is not None:
        road = float(frequency_ratio(analysis, np.array(settings.road_speed_m_s)))
    return replace(
        found,
        road_per_model=road,
        lengths_per_s=None if per_hz is None else 1 / per_hz,
        holds_more=held_in_samples(analysis),
    )
