"""The road-speed table: one row a configuration and speed."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.errors import NotRateableError
from buffet.rating.configuration import ConfigurationCurves
from buffet.rating.criteria import Criteria, Verdict
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.verdict import rate_criterion, worst
from buffet.rating.yaw_mix import YawMix

Array = NDArray[np.float64]

MOST_SPEEDS = 1000

# Columns that are given with the tunnel's part and without it.
HOLDING_TUNNEL = (
    "lift_rms_n",
    "rear_lift_rms_n",
    "side_force_rms_n",
    "weighted_acceleration_m_s2",
    "verdict",
)


@dataclass(frozen=True)
class TableRow:
    """Loads and motion of one configuration at one road speed; None where not measured."""

    configuration: str
    speed_m_s: float
    speed_km_h: float
    dynamic_pressure_pa: float
    drag_n: float | None
    front_lift_n: float | None
    rear_lift_n: float | None
    lift_rms_n: float | None
    rear_lift_rms_n: float | None
    side_force_rms_n: float | None
    peak_frequency_hz: float | None
    weighted_acceleration_m_s2: float | None
    steering_torque_rms_n_m: float | None
    verdict: Verdict
    why_no_steering: str | None = None
    with_tunnel: TableRow | None = None  # of the runs as read, where the tunnel's part is out

    def as_columns(self) -> dict[str, Any]:
        """Plain values alone."""
        values = asdict(self)
        as_read = values.pop("with_tunnel")
        if as_read is not None:
            values |= {f"{key}_with_tunnel": as_read[key] for key in HOLDING_TUNNEL}
        return values

    def as_dict(self) -> dict[str, Any]:
        """Plain values, with the reason beside each that is None."""
        values = self.as_columns()
        why_no_steering = values.pop("why_no_steering")
        lost = [key for key, value in values.items() if value is None]
        reasons = {f"{key}_why": _reason(key) for key in lost}
        if why_no_steering is not None:
            reasons["steering_torque_rms_n_m_why"] = why_no_steering
        return {**values, **reasons}


def _reason(key: str) -> str:
    if key == "peak_frequency_hz":
        return "no shedding peak rises above its background"
    return "not measured in every run, or nothing left above the wind-off noise"


def table_speeds(from_m_s: float, to_m_s: float, step_m_s: float) -> Array:
    """Road speeds of the table, both ends included where the step allows.

    Raises
    ------
    NotRateableError
        The range is empty or would have more rows than anyone reads.
    """
    if to_m_s < from_m_s or (to_m_s - from_m_s) / step_m_s > MOST_SPEEDS:
        raise NotRateableError(
            f"a table from {from_m_s * 3.6:g} to {to_m_s * 3.6:g} km/h in steps of "
            f"{step_m_s * 3.6:g} km/h has no rows or too many; wanted --from below --to and at "
            f"most {MOST_SPEEDS} steps"
        )
    n = int(np.floor((to_m_s - from_m_s) / step_m_s + 1e-9)) + 1
    return np.asarray(from_m_s + step_m_s * np.arange(n), float)


def road_table(rating: Rating, speeds_m_s: Array) -> tuple[TableRow, ...]:
    """Rows for every configuration at the given speeds, which the rating's curves must hold."""
    rows = tuple(
        row
        for configuration in rating.configurations
        for row in _rows(configuration, rating, speeds_m_s)
    )
    if rating.with_tunnel is None:
        return rows
    read = {(r.configuration, r.speed_m_s): r for r in road_table(rating.with_tunnel, speeds_m_s)}
    return tuple(replace(row, with_tunnel=read[row.configuration, row.speed_m_s]) for row in rows)


def _rows(rated: ConfigurationRating, rating: Rating, speeds_m_s: Array) -> list[TableRow]:
    curves = rated.curves
    means = {word: _means(curves.mix, word) for word in ("drag", "front lift", "rear lift")}
    fluctuations = {word: _rms(curves.mix, word) for word in ("lift", "rear lift", "side force")}
    rows = []
    for speed in speeds_m_s:
        index = int(np.argmin(np.abs(curves.setting.speeds_m_s - speed)))
        pressure = float(rating.full_scale.dynamic_pressure_pa(float(speed)))
        load = pressure * rating.full_scale.area_m2
        loads = {word: _times(own, index, load) for word, own in means.items()}
        unsteady = {word: _times(own, index, load) for word, own in fluctuations.items()}
        shed = rated.shedding
        length = rating.full_scale.strouhal_length_m
        seat = None if curves.seat is None else float(curves.seat.value[index])
        torque = curves.reported["steering torque"]
        steering = torque if isinstance(torque, str) else float(torque.value[index])
        rows.append(
            TableRow(
                rated.name,
                float(speed),
                round(float(speed) * 3.6, 6),
                pressure,
                loads["drag"],
                loads["front lift"],
                loads["rear lift"],
                unsteady["lift"],
                unsteady["rear lift"],
                unsteady["side force"],
                None if shed is None else shed.strouhal.value * float(speed) / length,
                seat,
                steering if isinstance(steering, float) else None,
                verdict_at(curves, index, rating.criteria),
                steering if isinstance(steering, str) else None,
            )
        )
    return rows


def verdict_at(curves: ConfigurationCurves, index: int, criteria: Criteria) -> Verdict:
    """Verdict of a configuration at one of its curves' speeds."""
    decisive = worst(tuple(rate_criterion(curve, index, criteria) for curve in curves.metrics))
    return (decisive.verdict if decisive else None) or "undetermined"


def _times(values: Array | None, index: int, load: float) -> float | None:
    return None if values is None or not np.isfinite(values[index]) else float(values[index]) * load


def _means(mix: YawMix, word: str) -> Array | None:
    """Mean coefficient over the wind and the runs, by the road speed's dynamic pressure."""
    where = [run.fluctuation(word) for run in mix.runs]
    if any(index is None for index in where):
        return None
    own = np.array([run.signal.mean[i] for run, i in zip(mix.runs, where, strict=True)])
    return np.asarray(own @ mix.over_runs(mix.mean_weights))


def _rms(mix: YawMix, word: str) -> Array | None:
    """Of the mean variance of the runs, noise removed; NaN where nothing is left."""
    where = [run.fluctuation(word) for run in mix.runs]
    if any(index is None for index in where):
        return None
    pairs = zip(mix.runs, where, strict=True)
    own = np.array([run.total_samples[0, index] for run, index in pairs])
    mean = own @ mix.over_runs(mix.weights)
    return np.asarray(np.sqrt(np.where(mean > 0, mean, np.nan)))
