"""Blockage: what the walls of a closed test section add to the dynamic pressure at the model.

The walls keep the flow from giving way, so that it passes the model faster than it comes. Both
rules make one factor of that, q_c / q, for every force and pressure of a run. The frontal area is
the stated one, at any yaw. In an open jet the flow gives way too far and the error has the other
sign; how large it is depends on nozzle, collector and place as well (SAE J2071), so there is no
rule here for it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from ingest.axes import run_quantities
from ingest.errors import RecordingError
from ingest.flow import Blockage, FlowState
from ingest.model import Model, TestSection
from ingest.record import Run

# Share of the model's area that narrows the test section. The whole area would be the mean speed
# beside the model, none of it that ahead of it. Half, the mean of both, is common practice; for a
# car in 4.7 % of a closed section with C_D 0.35 it gives 1.049, where Herriot's images with Thom's
# shape factors give 1.054 and Pope's estimate, a quarter, 1.024 (Marcell & Romberg 1970, SAE
# 700036, table II; the paper's number is from memory). The whole area would give 1.102.
CONTINUITY_SHARE = 0.5
# Maskell 1963 (ARC R&M 3400): 5/2 for bluff bodies that are not much wider than high, 0.96 for
# two-dimensional ones (from memory; transcriptions agree).
MASKELL_THETA = 2.5


def with_blockage(
    flow: FlowState,
    run: Run,
    model: Model | None,
    section: TestSection | None,
    means: Sequence[float],
) -> FlowState:
    """The flow as the test section's blockage makes it: dynamic pressure, speed, Reynolds number.

    Parameters
    ----------
    flow : not corrected
    means : of the run's channels, SI, in their order

    Raises
    ------
    RecordingError
        Maskell's rule is asked for, but the run's mean drag is not above zero.
    """
    if section is None or model is None:
        missing = "test section" if section is None else "model"
        return replace(flow, blockage=Blockage(why=f"no {missing} is stated"))
    ratio = model.frontal_area_m2 / section.area_m2
    if section.blockage == "none":
        return replace(flow, blockage=Blockage(area_ratio=ratio, why="no correction is chosen"))
    if section.blockage == "continuity":
        share = section.blockage_factor or CONTINUITY_SHARE
        why = f"1 / (1 - {share:g} S/C)²"
        blockage = Blockage("continuity", ratio, continuity_factor(ratio, share), None, why)
    else:
        drag = _drag_coefficient(flow, run, model, means)
        theta = section.blockage_factor or MASKELL_THETA
        why = f"1 + {theta:g} C_D S/C with this run's C_D of {drag:.4g} before the correction"
        blockage = Blockage("maskell", ratio, maskell_factor(ratio, drag, theta), drag, why)
    return _corrected(flow, blockage)


def continuity_factor(area_ratio: float, share: float = CONTINUITY_SHARE) -> float:
    """q_c / q where `share` of the model's area narrows the test section.

    U_c (C - share · S) = U C; Barlow, Rae & Pope 1999 and the road vehicle papers differ in the
    share alone (from memory).
    """
    return 1.0 / (1.0 - share * area_ratio) ** 2


def maskell_factor(
    area_ratio: float, drag_coefficient: float, theta: float = MASKELL_THETA
) -> float:
    """q_c / q = C_D / C_D,c = 1 + θ C_D S/C, C_D not corrected (Maskell 1963, ARC R&M 3400)."""
    return 1.0 + theta * drag_coefficient * area_ratio


def _drag_coefficient(flow: FlowState, run: Run, model: Model, means: Sequence[float]) -> float:
    """Of this run's mean drag by the dynamic pressure that is not corrected."""
    quantities = run_quantities(run.channels, model, flow)
    row = next((q.row for q in quantities if q.measures == "drag"), None)
    value = math.nan if row is None else float(row @ means)
    if not value > 0.0:
        problem = "there is no drag" if row is None else f"the mean drag coefficient is {value:.3g}"
        raise RecordingError(
            run.recordings[0],
            "",
            f"{problem}, so Maskell's blockage correction cannot be made",
            "check the drag channel's sign, gain and wind-off zero, or choose blockage = "
            "'continuity' in campaign.toml",
        )
    return value


def _corrected(flow: FlowState, blockage: Blockage) -> FlowState:
    of_speed = math.sqrt(blockage.dynamic_pressure_factor)
    return replace(
        flow,
        speed_m_s=flow.speed_m_s * of_speed,
        dynamic_pressure_pa=flow.dynamic_pressure_pa * blockage.dynamic_pressure_factor,
        reynolds=None if flow.reynolds is None else flow.reynolds * of_speed,
        blockage=blockage,
    )
