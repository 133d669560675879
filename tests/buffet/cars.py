"""Cars with known answers for the tests of ride and road."""

from dataclasses import replace

from buffet.vehicle import DEFAULT_SPREAD, Cushion
from ingest.vehicle import Axle, Seat, Vehicle

HATCHBACK = Vehicle(
    name="hatchback",
    source="typical, from memory",
    mass_kg=1150,
    wheelbase_m=2.58,
    front_axle_mass_kg=700,
    cg_height_m=0.54,
    pitch_inertia_kg_m2=1500,
    front=Axle(38, 20e3, 1500, 190e3),
    rear=Axle(35, 22e3, 1600, 185e3),
    seat_at_m=(-0.1, -0.35, 0.6),
)


CUSHIONED = Seat(Cushion().natural_frequency_hz, Cushion().damping)


def known(car: Vehicle) -> Vehicle:
    """The same car with nothing uncertain about it."""
    return replace(car, spread=dict.fromkeys(DEFAULT_SPREAD, 0.0))


RIGID_TYRE_N_M = 1e11  # a millionth of a spring's give
LIGHT_WHEEL_KG = 1e-4


def rigid_tyred(
    mass_kg: float,
    radius_m: float,
    to_front_m: float,
    to_rear_m: float,
    front_n_m: float,
    rear_n_m: float,
    damping_n_s_m: float = 0.0,
) -> Vehicle:
    """Return a body on two springs (rates per axle): massless wheels, rigid tyres."""
    wheelbase_m = to_front_m + to_rear_m
    wheels_kg = 2 * LIGHT_WHEEL_KG
    return Vehicle(
        name="body on two springs",
        source="textbook",
        mass_kg=mass_kg + 2 * wheels_kg,
        wheelbase_m=wheelbase_m,
        front_axle_mass_kg=mass_kg * to_rear_m / wheelbase_m + wheels_kg,
        cg_height_m=0.5,
        pitch_inertia_kg_m2=mass_kg * radius_m**2,
        front=Axle(LIGHT_WHEEL_KG, front_n_m / 2, damping_n_s_m / 2, RIGID_TYRE_N_M),
        rear=Axle(LIGHT_WHEEL_KG, rear_n_m / 2, damping_n_s_m / 2, RIGID_TYRE_N_M),
        seat_at_m=(0.0, 0.0, 0.6),
    )


def four_quarter_cars(
    body_kg: float, axle: Axle, wheelbase_m: float = 2.5, inertia_factor: float = 1.0
) -> Vehicle:
    """Return a symmetric car of four quarter cars; with a factor of 1 its ends do not interact."""
    mass_kg = 4 * (body_kg + axle.unsprung_mass_kg)
    return Vehicle(
        name="four quarter cars",
        source="textbook",
        mass_kg=mass_kg,
        wheelbase_m=wheelbase_m,
        front_axle_mass_kg=mass_kg / 2,
        cg_height_m=0.5,
        pitch_inertia_kg_m2=inertia_factor * 4 * body_kg * (wheelbase_m / 2) ** 2,
        front=axle,
        rear=axle,
        seat_at_m=(0.0, 0.0, 0.6),
    )


def scaled(vehicle: Vehicle, mass: float = 1.0, rate: float = 1.0, length: float = 1.0) -> Vehicle:
    """Return the car in other units of mass, of stiffness and damping, and of length."""
    axle = {
        name: replace(
            getattr(vehicle, name),
            unsprung_mass_kg=mass * getattr(vehicle, name).unsprung_mass_kg,
            wheel_rate_n_m=rate * getattr(vehicle, name).wheel_rate_n_m,
            damping_n_s_m=rate * getattr(vehicle, name).damping_n_s_m,
            tyre_stiffness_n_m=rate * getattr(vehicle, name).tyre_stiffness_n_m,
        )
        for name in ("front", "rear")
    }
    return replace(
        vehicle,
        mass_kg=mass * vehicle.mass_kg,
        front_axle_mass_kg=mass * vehicle.front_axle_mass_kg,
        pitch_inertia_kg_m2=mass * length**2 * vehicle.pitch_inertia_kg_m2,
        wheelbase_m=length * vehicle.wheelbase_m,
        cg_height_m=length * vehicle.cg_height_m,
        seat_at_m=(length * vehicle.seat_at_m[0], 0.0, 0.6),
        front=axle["front"],
        rear=axle["rear"],
    )
