"""Whether the air in a model's cabin resounds as that in the car's: its volume and Mach number.

In a model of scale s the cabin's own frequency is 1/s of the car's where its volume is s³ of the
car's; the wind's frequencies are (U/V)/s of the road's. Both meet as on the road only where the
wind is as fast as the road speed, each against its speed of sound.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.run_analysis import RunAnalysis
from ingest import ROAD_AIR, Model, OpenCabin

# Relative (engineering judgement): a resonance is carried to within 10 % of its frequency, less
# than half of a one-third octave (12 %), and a volume that is 10 % off moves it by 5 %.
MACH_TOLERANCE = 0.10
VOLUME_TOLERANCE = 0.10

NOT_AIR = "the fluid of the runs is no air, so their Mach number is not the road's"
NO_MODEL_VOLUME = (
    "[model] states no cabin_volume, so whether the model's cabin resounds as the car's does is "
    "not known: state it in campaign.toml"
)


def volume_problem(model: Model, cabin: OpenCabin) -> str | None:
    """Why the model's cabin resounds at another frequency than the car's, or None.

    The model of full scale is taken to be the car itself where it states no volume.
    """
    if model.cabin_volume_m3 is None:
        return None if model.scale == 1.0 else NO_MODEL_VOLUME
    wanted_m3 = cabin.volume_m3 * model.scale**3
    if abs(model.cabin_volume_m3 / wanted_m3 - 1) <= VOLUME_TOLERANCE:
        return None
    return (
        f"the model's cabin holds {model.cabin_volume_m3:.3g} m³ and not {wanted_m3:.3g} m³, the "
        f"car's {cabin.volume_m3:.3g} m³ at its scale, to {VOLUME_TOLERANCE:.0%}, and resounds at "
        "another frequency: change its volume"
    ).replace("%", " %")


def alike_mach(run: RunAnalysis, speeds_m_s: ArrayLike) -> NDArray[np.bool_]:
    """At which road speeds a run has the road's Mach number, of the input's shape."""
    speeds = np.asarray(speeds_m_s, dtype=np.float64)
    mach = None if run.flow is None else run.flow.mach
    if mach is None:
        return np.zeros(speeds.shape, bool)
    return np.asarray(np.abs(mach * ROAD_AIR.sound_speed_m_s / speeds - 1) <= MACH_TOLERANCE)


def same_mach_m_s(run: RunAnalysis) -> float | None:
    """Road speed of a run's own Mach number; None where it has none."""
    mach = None if run.flow is None else run.flow.mach
    return None if mach is None else mach * ROAD_AIR.sound_speed_m_s
