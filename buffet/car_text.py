"""What `car` says on a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees

from buffet.cabin.open_cabin import OpenCabinFigures
from buffet.cabin.open_cabin_text import open_cabin_text
from buffet.phrases import by_reason, listed
from buffet.terminal import KM_H, paragraph, table
from buffet.vehicle import GRAVITY_M_S2, CarSummary, Mode

# Shares of kinetic energy below this, and parts of a shape, are not worth a word.
SMALLEST_SHARE = 0.05
# A mode that turns about a point farther away moves the whole car alike.
FARTHEST_M = 20.0
MODES_KEY = (
    "Motion: shares of the kinetic energy, and where the body stands still, from mid-wheelbase. "
    "Damping above 1 does not swing. The wheel is held fast."
)
MEASURED_KEY = "Measured on the car: largest motions of the origin in m or rad, over the largest."


def car_text(summary: CarSummary, cabin: OpenCabinFigures | None = None) -> str:
    """The car at rest, its modes at the road speed, its open cabin, what is missing and assumed."""
    vehicle = summary.vehicle
    measured = summary.model.measured is not None
    rows = [_mode_row(summary, mode) for mode in summary.modes]
    parts = [
        paragraph(f"{vehicle.name} ({vehicle.source}), at {summary.speed_m_s * KM_H:.0f} km/h"),
        table(("at rest and in steady turns", "value"), list(_static_rows(summary))),
        table(("mode", "Hz", "damping", "motion"), rows),
        paragraph(MEASURED_KEY if measured else MODES_KEY),
        *([open_cabin_text(cabin)] if cabin is not None else []),
        *([told] if (told := _missing(summary)) else []),
        *(
            ["\n".join(paragraph(f"Assumed: {one}.") for one in summary.assumed)]
            * bool(summary.assumed)
        ),
        paragraph(_spread(summary)),
    ]
    return "\n\n".join(parts)


def _static_rows(summary: CarSummary) -> Iterator[tuple[str, str]]:
    static = summary.static
    weight_n = static.front_axle_load_n + static.rear_axle_load_n
    yield "mass, of it sprung", f"{static.mass_kg:.0f} kg, {static.sprung_mass_kg:.0f} kg"
    for axle, load_n in (("front", static.front_axle_load_n), ("rear", static.rear_axle_load_n)):
        yield f"{axle} axle load", f"{load_n:.0f} N ({load_n / weight_n:.0%})"
    yield "centre of gravity", f"{_place(static.cg_x_m)}, {static.cg_height_m:.2f} m high"
    yield "of the sprung mass", _sprung(summary)
    yield "dynamic index in pitch", f"{static.dynamic_index:.2f}"
    if static.yaw_inertia_kg_m2 is not None:
        yield "yaw inertia of the whole car", f"{static.yaw_inertia_kg_m2:.0f} kg m²"
    if static.roll_stiffness_n_m_rad is not None and static.front_roll_share is not None:
        stiffness = f"{static.roll_stiffness_n_m_rad / 1000:.1f} kN m/rad"
        yield "roll stiffness with tyres", f"{stiffness} ({static.front_roll_share:.0%} front)"
    if static.roll_axis_height_m is not None:
        yield "roll axis below it", f"{static.roll_axis_height_m:.2f} m over the ground"
    yield from _turn_rows(summary)


def _turn_rows(summary: CarSummary) -> Iterator[tuple[str, str]]:
    static = summary.static
    for name, value in (
        ("roll gradient", static.roll_gradient_rad_s2_m),
        ("understeer gradient", static.understeer_rad_s2_m),
    ):
        if value is not None:
            yield name, f"{degrees(value) * GRAVITY_M_S2:.1f} deg/g"
    for name, speed in (
        ("characteristic speed", static.characteristic_speed_m_s),
        ("critical speed", static.critical_speed_m_s),
    ):
        if speed is not None:
            yield name, f"{speed * KM_H:.0f} km/h"


def _sprung(summary: CarSummary) -> str:
    static = summary.static
    return f"{_place(static.sprung_cg_x_m)}, {static.sprung_cg_height_m:.2f} m high"


def _place(x_m: float) -> str:
    return f"{abs(x_m):.2f} m {'behind' if x_m > 0 else 'ahead of'} mid-wheelbase"


def _mode_row(summary: CarSummary, mode: Mode) -> tuple[str, ...]:
    return (
        mode.name,
        f"{mode.natural_frequency_hz:.2f}",
        f"{mode.damping_ratio:.2f}",
        _motion(summary, mode),
    )


def _motion(summary: CarSummary, mode: Mode) -> str:
    if mode.participation is None:
        pairs = zip(mode.coordinates, mode.shape.real, strict=True)
        return ", ".join(f"{name} {v:.2g}" for name, v in pairs if abs(v) >= SMALLEST_SHARE)
    order = mode.participation.argsort()[::-1]
    shares = [(mode.coordinates[i], float(mode.participation[i])) for i in order]
    told = ", ".join(f"{name} {share:.0%}" for name, share in shares if share >= SMALLEST_SHARE)
    point_m = summary.turning_point_m(mode)
    if point_m is None or abs(point_m) > FARTHEST_M:
        return told
    return f"{told}; still {abs(point_m):.1f} m {'behind' if point_m > 0 else 'ahead'}"


def _missing(summary: CarSummary) -> str:
    """What there is no response of, and what a response leaves out, each reason once."""
    found = summary.responses.values()
    lost = by_reason((rows.why, rows.output) for rows in found if rows.rows is None)
    told = [f"Not known: {listed(names)}: {why}." for why, names in lost.items()]
    parts = [f"the part of {rows.left_out} in {rows.output}" for rows in found if rows.left_out]
    if parts:
        told.append(f"Left out for the same reason: {listed(parts)}.")
    return "\n".join(paragraph(line) for line in told)


def _assumed(summary: CarSummary) -> str:
    return "\n".join(paragraph(f"Assumed: {one}.") for one in summary.assumed)


def _spread(summary: CarSummary) -> str:
    spread, stated = summary.spread
    values = ", ".join(f"{key} {value:.0%}" for key, value in spread.items())
    if stated:
        return f"Spread as stated, relative standard deviations: {values}."
    some = ", ".join(summary.vehicle.spread or ())
    head = (
        f"{some} as stated, the rest by default" if some else "none is stated, the default is taken"
    )
    return f"Spread, relative standard deviations: {head} (engineering judgement): {values}."
