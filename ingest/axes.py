"""What a run's channels measure as coefficients in the vehicle's axes, and what follows from them.

SAE J1594 axes: x rearward, y right, z up, origin on the ground at mid-wheelbase and mid-track;
moments are made dimensionless with the wheelbase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.channel import FORCES, MOMENTS, PRESSURES, Channel
from ingest.flow import FLOW_CONDITIONS, FlowState
from ingest.model import Model

Row = NDArray[np.float64]


@dataclass(frozen=True)
class Quantity:
    """A linear combination of a run's channels: value = row @ samples.

    The mean of a pressure coefficient has `mean_offset` added: blockage moves its reference.
    Accelerometers add to the fluctuations alone: their mean is gravity and offset.
    """

    name: str  # the channel's name, or the component's where it is derived
    measures: str
    unit: str  # "1" for coefficients
    row: Row  # (n_channels,), locked
    inertial_row: Row | None = None  # (n_channels,), on accelerometers; None: nothing is added
    mean_offset: float = 0.0

    @property
    def fluctuation_row(self) -> Row:
        """What combines the channels' fluctuations."""
        return self.row if self.inertial_row is None else self.row + self.inertial_row


class _Balance(NamedTuple):
    """Four components of which two fix the others; the force first, then the moment."""

    force: str
    moment: str
    front: str
    rear: str


# C_F = C/2 + C_M and C_R = C/2 − C_M (SAE J1594 signs; statics of a beam on two axles, with the
# moment over the wheelbase): the lift and the side force are split alike.
_BALANCES = (
    _Balance("lift", "pitch moment", "front lift", "rear lift"),
    _Balance("side force", "yaw moment", "front side force", "rear side force"),
)
_RANK_TOLERANCE = 1e-9  # of entries that are 0, ½ and 1


def run_quantities(
    channels: Sequence[Channel], model: Model | None, flow: FlowState | None
) -> tuple[Quantity, ...]:
    """Coefficients of a run in the vehicle's axes, as linear combinations of its channels.

    One for each channel that is no flow condition, in sheet order: force over q·A, moment over
    q·A·wheelbase, pressure over q where they are known, else the SI value. Then the lift and side
    force components that nobody measured but that follow from those measured. A run that logs
    flow conditions alone is about them: then each of its channels counts.

    Where the flow's blockage is corrected, so are channels that the logger made coefficients: it
    knew the uncorrected dynamic pressure alone. Pressures are taken to be against the static
    pressure ahead of the model. Blockage keeps the total pressure, so that (1 - C_p) q stays and
    C_p,c = 1 - (1 - C_p) q / q_c for means (Maskell 1963, ARC R&M 3400, has the base pressure
    follow it; from memory), C_p q / q_c for fluctuations.
    """
    wanted = [i for i, c in enumerate(channels) if c.measures not in FLOW_CONDITIONS]
    measured = tuple(_of_channel(channels, i, model, flow) for i in wanted or range(len(channels)))
    derived = [q for balance in _BALANCES for q in _derived(balance, measured, model)]
    return measured + tuple(derived)


def _of_channel(
    channels: Sequence[Channel], index: int, model: Model | None, flow: FlowState | None
) -> Quantity:
    channel = channels[index]
    divisor = _divisor(channel, model, flow)
    row = np.zeros(len(channels))
    row[index] = 1.0 if divisor is None else 1.0 / divisor
    unit = channel.unit if divisor is None else "1"
    inertial = row[index] * _inertial_row(channels, channel)
    quantity = _locked(channel.name, channel.measures, unit, row, inertial)
    if flow is None or unit != "1" or channel.measures not in PRESSURES:
        return quantity
    return replace(quantity, mean_offset=1.0 - 1.0 / flow.blockage.dynamic_pressure_factor)


def _inertial_row(channels: Sequence[Channel], channel: Channel) -> Row:
    """What accelerometers add to a channel, ``(n_channels,)``."""
    terms = dict(channel.inertial)
    return np.array([terms.get(other.name, 0.0) for other in channels])


def _locked(name: str, measures: str, unit: str, row: Row, inertial: Row) -> Quantity:
    row.setflags(write=False)
    inertial.setflags(write=False)
    return Quantity(name, measures, unit, row, inertial if inertial.any() else None)


def _divisor(channel: Channel, model: Model | None, flow: FlowState | None) -> float | None:
    """What makes a value a coefficient; None where that is unknown or makes no sense."""
    measures = channel.measures
    if flow is None:
        return None
    if channel.is_coefficient:
        return flow.blockage.dynamic_pressure_factor
    if measures in PRESSURES:
        return flow.dynamic_pressure_pa
    if model is None:
        return None
    force_n = flow.dynamic_pressure_pa * model.frontal_area_m2
    if measures in FORCES:
        return force_n
    return force_n * model.wheelbase_m if measures in MOMENTS else None


def _derived(
    balance: _Balance, measured: Sequence[Quantity], model: Model | None
) -> list[Quantity]:
    """Components of one balance that follow from the measured ones and are not among them.

    Solves the measured components for force and moment, by least squares where there are more
    than two, and keeps what lies in the span of the measured equations.
    """
    known = [q for q in measured if q.measures in balance]
    units = {"1" if q.unit == "1" else "SI" for q in known}
    if len(units) != 1:  # nothing measured, or a mixture that cannot be added
        return []
    arm = 1.0 if units == {"1"} else _wheelbase_m(model)
    equations = _equations(balance, arm)
    known = [q for q in known if q.measures in equations]
    if not known:
        return []
    matrix = np.array([equations[q.measures] for q in known])
    inverse = np.linalg.pinv(matrix, rcond=_RANK_TOLERANCE)
    rows = np.array([q.row for q in known])
    inertial = np.array([q.fluctuation_row for q in known]) - rows
    missing = [name for name in equations if name not in {q.measures for q in known}]
    return [
        _locked(
            _free_name(name, measured), name, _unit(name, known), weights @ rows, weights @ inertial
        )
        for name in missing
        if (weights := _weights(equations[name], matrix, inverse)) is not None
    ]


def _wheelbase_m(model: Model | None) -> float | None:
    return model.wheelbase_m if model else None


def _equations(balance: _Balance, arm: float | None) -> dict[str, tuple[float, float]]:
    """Each component as a combination of (force, moment / arm); no moment without an arm."""
    equations = {balance.force: (1.0, 0.0)}
    if arm is not None:
        equations[balance.moment] = (0.0, arm)
    return equations | {balance.front: (0.5, 1.0), balance.rear: (0.5, -1.0)}


def _weights(target: tuple[float, float], matrix: Row, inverse: Row) -> Row | None:
    """Weights of the measured components that give a target; None outside their span."""
    weights: Row = np.array(target) @ inverse
    return weights if np.allclose(weights @ matrix, target, atol=_RANK_TOLERANCE) else None


def _unit(name: str, known: Sequence[Quantity]) -> str:
    if known[0].unit == "1":
        return "1"
    return "N m" if name in MOMENTS else "N"


def _free_name(component: str, measured: Sequence[Quantity]) -> str:
    taken = {quantity.name for quantity in measured}
    return f"{component} (derived)" if component in taken else component
