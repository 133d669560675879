"""Cars with known answers for the tests of lateral motion."""

from __future__ import annotations

from dataclasses import replace

from ingest.vehicle import Axle, Steering, Vehicle

LIGHT_KG = 1e-6

SALOON = Vehicle(
    name="saloon",
    source="textbook",
    mass_kg=1500,
    wheelbase_m=2.7,
    front_axle_mass_kg=800,
    cg_height_m=0.55,
    pitch_inertia_kg_m2=2300,
    roll_inertia_kg_m2=500,
    yaw_inertia_kg_m2=2300,
    front=Axle(40, 22e3, 1700, 200e3, 1.55, 55e3, 0.45, 14e3, 0.08),
    rear=Axle(38, 24e3, 1800, 200e3, 1.52, 65e3, 0.4, 6e3, 0.08),
    seat_at_m=(-0.1, -0.38, 0.6),
    steering=Steering(15.0, 0.03, 0.6),
)


def bicycle(
    mass_kg: float,
    yaw_inertia_kg_m2: float,
    to_front_m: float,
    to_rear_m: float,
    front_n_rad: float,
    rear_n_rad: float,
    relaxation_m: float | None = None,
) -> Vehicle:
    """Return a car that does not roll, with massless wheels; cornering stiffness per axle.

    Its roll axis runs through its centre of gravity.
    """
    wheelbase_m = to_front_m + to_rear_m
    height_m = 0.5
    wheel = Axle(LIGHT_KG, 20e3, 1500, 200e3, 1.5, 0.0, relaxation_m, 10e3, height_m)
    return Vehicle(
        name="bicycle",
        source="textbook",
        mass_kg=mass_kg,
        wheelbase_m=wheelbase_m,
        front_axle_mass_kg=mass_kg * to_rear_m / wheelbase_m,
        cg_height_m=height_m,
        pitch_inertia_kg_m2=2000,
        roll_inertia_kg_m2=500,
        yaw_inertia_kg_m2=yaw_inertia_kg_m2,
        front=replace(wheel, cornering_stiffness_n_rad=front_n_rad / 2),
        rear=replace(wheel, cornering_stiffness_n_rad=rear_n_rad / 2),
        seat_at_m=(0.0, 0.0, 0.6),
    )
