"""The inertial part of a balance's reading, from accelerometers on the model and its mass.

The balance carries what the air does less what accelerates the model. In one set of axes
(Newton and Euler, small motions of a rigid model, cg: its centre of gravity):

    F_air = F_balance + m a_cg        M_air = M_balance + I α + r_cg × m a_cg

Six accelerations are unknown; what the accelerometers can determine is fitted to their readings
by least squares, and a component that needs more than that keeps its inertial part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ingest.channel import Channel
from ingest.findings import Finding
from ingest.model import Model

if TYPE_CHECKING:
    from ingest.record import Run

Array = NDArray[np.float64]

MOTIONS = ("x", "y", "z", "roll", "pitch", "yaw")
# Which motions are fitted first where there are few accelerometers: translations, then pitch.
_ORDER = (0, 1, 2, 4, 3, 5)
# Arms count in half wheelbases. Accelerometers closer together than this cannot tell a rotation
# from a translation, one this close to the centre of gravity reads its acceleration, and a
# component of which a larger part stays unknown is not corrected (engineering judgement).
NEGLIGIBLE = 0.1
_AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


@dataclass(frozen=True)
class _Body:
    """A rigid model and the accelerometers on it."""

    model: Model
    mass_kg: float
    centre_m: Array  # (3,)
    accelerometers: tuple[Channel, ...]

    @property
    def arm_m(self) -> float:
        """What makes an angular acceleration comparable with a linear one."""
        return self.model.wheelbase_m / 2

    @cached_property
    def readings(self) -> Array:
        """Each accelerometer's reading for each motion, rotations times the arm, ``(n, 6)``.

        e · (a + α × r) = e · a + α · (r × e).
        """
        rows = []
        for channel in self.accelerometers:
            axis = np.array(_AXES[channel.direction or "z"])
            turned = np.cross(np.array(channel.at_m) - self.centre_m, axis) / self.arm_m
            rows.append(np.concatenate([axis, turned]))
        return np.array(rows)

    @cached_property
    def fitted(self) -> list[int]:
        """Motions that the readings tell apart."""
        chosen: list[int] = []
        for motion in _ORDER:
            trial = [*chosen, motion]
            if len(trial) > len(self.readings):
                break
            smallest = np.linalg.svd(self.readings[:, trial], compute_uv=False)[-1]
            chosen = trial if smallest > NEGLIGIBLE else chosen
        return chosen

    def loads(self, measures: str) -> Array:
        """Inertial load of a component for each motion, ``(6,)``; nan where it is not stated."""
        force = self.mass_kg * np.eye(3, 6)
        inertia = [np.nan if value is None else value for value in self.model.inertia_kg_m2]
        moment = np.zeros((3, 6))
        moment[:, :3] = np.cross(self.centre_m, self.mass_kg * np.eye(3)).T
        moment[:, 3:] = np.diag(inertia) / self.arm_m
        return _component(measures, force, moment, self.model.wheelbase_m)

    def terms(self, measures: str) -> tuple[tuple[str, float], ...] | list[str]:
        """What each accelerometer adds to a component, or what is missing for it."""
        wanted = self.loads(measures)
        if np.isnan(wanted).any():
            lost = [MOTIONS[i] for i in np.flatnonzero(np.isnan(wanted))]
            return [f"[model] {name}_inertia" for name in lost]
        shares = wanted[self.fitted] @ np.linalg.pinv(self.readings[:, self.fitted])
        left = np.abs(shares @ self.readings - wanted)
        size = float(np.linalg.norm(wanted))
        if np.linalg.norm(left) > NEGLIGIBLE * size:
            unknown = [MOTIONS[i] for i in np.flatnonzero(left > NEGLIGIBLE * size / 3)]
            return [f"the acceleration in {name}" for name in unknown]
        names = [channel.name for channel in self.accelerometers]
        terms = zip(names, shares.tolist(), strict=True)
        return tuple((name, share) for name, share in terms if abs(share) > 1e-9 * size)


def _component(measures: str, force: Array, moment: Array, wheelbase_m: float) -> Array:
    """One component from the loads along and about x, y and z, each ``(3, 6)``.

    SAE J1594:2010 turned the axes to x rearward and z up but kept the senses of the moments:
    pitch nose up (about +y), yaw nose right (about -z), roll right side down (about -x).
    """
    vertical, pitch = force[2], moment[1]
    side, yaw = force[1], -moment[2]
    components: dict[str, Array] = {
        "drag": force[0],
        "side force": side,
        "lift": vertical,
        "roll moment": -moment[0],
        "pitch moment": pitch,
        "yaw moment": yaw,
        "front lift": vertical / 2 + pitch / wheelbase_m,
        "rear lift": vertical / 2 - pitch / wheelbase_m,
        "front side force": side / 2 + yaw / wheelbase_m,
        "rear side force": side / 2 - yaw / wheelbase_m,
    }
    return components[measures]


def _body(channels: Sequence[Channel], model: Model | None) -> _Body | None:
    """None without a mass or without an accelerometer of known place and direction."""
    found = tuple(channel for channel in channels if channel.direction is not None)
    if model is None or model.mass_kg is None or model.centre_of_gravity_m is None or not found:
        return None
    return _Body(model, model.mass_kg, np.array(model.centre_of_gravity_m), found)


def with_inertia(channels: Sequence[Channel], model: Model | None) -> tuple[Channel, ...]:
    """The channels, each component with what the accelerometers add to it, where that is known."""
    body = _body(channels, model)
    if body is None:
        return tuple(channels)
    return tuple(
        replace(channel, inertial=terms)
        if _takes_inertia(channel) and isinstance(terms := body.terms(channel.measures), tuple)
        else channel
        for channel in channels
    )


def _takes_inertia(channel: Channel) -> bool:
    """Newtons can be added to newtons alone."""
    return channel.is_component and not channel.is_coefficient


def inertia_findings(run: Run, model: Model | None) -> Iterator[Finding]:
    """Where the inertial part stays in, wholly or in some components, and why."""
    if run.kind == "wind-off":
        return
    body = _body(run.channels, model)
    if body is not None:
        yield from _left_in(run, body)
        yield from _without_damping(run)
    elif any(channel.direction is not None for channel in run.channels):
        yield Finding(
            "note",
            "inertia-not-removed",
            run.number,
            None,
            "there are accelerometers on the model, but its mass is not stated: the inertial part "
            "stays in the forces.",
            "State mass and centre_of_gravity in campaign.toml's [model].",
        )


def _left_in(run: Run, body: _Body) -> Iterator[Finding]:
    done = [channel.name for channel in run.channels if channel.inertial]
    reasons = []
    for channel in run.channels:
        if not channel.is_component or channel.inertial:
            continue
        needs = (
            ["its reading as a load, not as a coefficient"]
            if channel.is_coefficient
            else list(map(str, body.terms(channel.measures)))
        )
        reasons.append(f"{channel.name} (needs {' and '.join(needs)})")
    if reasons:
        removed = f"removed from {', '.join(done)}; it stays" if done else "not removed: it stays"
        yield Finding(
            "note",
            "inertia-partly-corrected",
            run.number,
            None,
            f"the inertial part is {removed} in {', '.join(reasons)}.",
            "Add accelerometers apart from each other, or trust these only well below the "
            "balance's resonance.",
        )


def _without_damping(run: Run) -> Iterator[Finding]:
    for channel in run.channels:
        if channel.inertial and channel.natural_frequency_hz and channel.damping is None:
            yield Finding(
                "note",
                "inertia-without-damping",
                run.number,
                channel.name,
                "the balance's damping is not stated: with the inertial part removed the spectrum "
                f"has a narrow notch at {channel.natural_frequency_hz:.4g} Hz.",
                "State damping beside natural_frequency.",
            )
