"""The order of the runs, the air they meet and what differs between repeats."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from buffet.demo.truth import COMPONENTS, CONFIGURATIONS, SCATTER, Configuration

DEFAULT_SEED = 20260302
FIRST_RUN = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
RUN_TO_RUN = timedelta(minutes=4)  # 60 s of samples and the tunnel's settling
REFIT = timedelta(minutes=35)  # fitting the next add-on


@dataclass(frozen=True)
class DemoSettings:
    """How much to write; the truth itself stays as it is."""

    wind_on_s: float = 60.0
    wind_off_s: float = 20.0
    speeds_m_s: tuple[float, ...] = (30.0, 40.0, 50.0)
    repeats: int = 2
    sample_rate_hz: float = 500.0


@dataclass(frozen=True)
class Air:
    """What the tunnel's instruments show, rounded as they show it."""

    speed_m_s: float  # 0 without wind
    temperature_deg_c: float
    static_pressure_hpa: float
    relative_humidity: float

    @property
    def density_kg_m3(self) -> float:
        """Moist air as a mixture of gases, on another way than the program's own.

        Gas constant 287.05 J/(kg K), ratio of molar masses 0.622, the saturation pressure of
        Magnus' form (WMO Guide No. 8: 611.2 Pa, 17.62, 243.12 °C) and air's compressibility of
        0.9996 at room conditions are from memory.
        """
        saturation_pa = 611.2 * np.exp(
            17.62 * self.temperature_deg_c / (243.12 + self.temperature_deg_c)
        )
        vapour_pa = self.relative_humidity * saturation_pa
        dry_equivalent_pa = 100.0 * self.static_pressure_hpa - 0.378 * vapour_pa
        return float(dry_equivalent_pa / (0.9996 * 287.05 * (self.temperature_deg_c + 273.15)))

    @property
    def dynamic_pressure_pa(self) -> float:
        """ρ U²/2."""
        return 0.5 * self.density_kg_m3 * self.speed_m_s**2


@dataclass(frozen=True)
class PlannedRun:
    """One run before it is made."""

    number: str
    configuration: Configuration  # fitted to the car, also while the wind is off
    started: datetime
    air: Air
    duration_s: float
    zero_before: str | None = None  # of wind-on runs
    zero_after: str | None = None
    fluctuation_factor: float = 1.0  # on every fluctuation of this run
    mean_shift: tuple[float, ...] = (0.0,) * len(COMPONENTS)  # on the mean coefficients

    @property
    def wind_on(self) -> bool:
        """Whether the wind blows."""
        return self.air.speed_m_s > 0

    @property
    def mean(self) -> tuple[float, ...]:
        """Mean coefficients of this very run, in the order of COMPONENTS."""
        own = (self.configuration.mean[component] for component in COMPONENTS)
        return tuple(value + shift for value, shift in zip(own, self.mean_shift, strict=True))


def hours_since_start(moment: datetime) -> float:
    """Time since the first run of the day, in hours."""
    return (moment - FIRST_RUN) / timedelta(hours=1)


def plan_runs(settings: DemoSettings, seed: int = DEFAULT_SEED) -> tuple[PlannedRun, ...]:
    """Every configuration in turn: a zero, all speeds once a repeat, a zero."""
    rng = np.random.default_rng([seed, 0])
    runs: list[PlannedRun] = []
    for configuration in CONFIGURATIONS:
        runs += _group(configuration, len(runs), settings, rng)
    return tuple(runs)


def _group(
    configuration: Configuration, done: int, settings: DemoSettings, rng: np.random.Generator
) -> list[PlannedRun]:
    """The runs of one configuration, numbered from done + 1."""
    speeds = [0.0, *settings.speeds_m_s * settings.repeats, 0.0]
    numbers = [f"{done + 1 + i:03d}" for i in range(len(speeds))]
    begun = FIRST_RUN + RUN_TO_RUN * done + REFIT * CONFIGURATIONS.index(configuration)
    moments = [begun + RUN_TO_RUN * i for i in range(len(speeds))]
    return [
        _wind_on(number, configuration, moment, speed, (numbers[0], numbers[-1]), settings, rng)
        if speed
        else _wind_off(number, configuration, moment, settings, rng)
        for number, moment, speed in zip(numbers, moments, speeds, strict=True)
    ]


def _wind_off(
    number: str,
    configuration: Configuration,
    started: datetime,
    settings: DemoSettings,
    rng: np.random.Generator,
) -> PlannedRun:
    air = _air(0.0, started, rng)
    return PlannedRun(number, configuration, started, air, settings.wind_off_s)


def _wind_on(
    number: str,
    configuration: Configuration,
    started: datetime,
    speed_m_s: float,
    zeros: tuple[str, str],
    settings: DemoSettings,
    rng: np.random.Generator,
) -> PlannedRun:
    return PlannedRun(
        number,
        configuration,
        started,
        _air(speed_m_s, started, rng),
        settings.wind_on_s,
        *zeros,
        fluctuation_factor=float(1.0 + SCATTER.fluctuation * rng.standard_normal()),
        mean_shift=tuple(
            float(SCATTER.mean(component) * rng.standard_normal()) for component in COMPONENTS
        ),
    )


def _air(speed_m_s: float, moment: datetime, rng: np.random.Generator) -> Air:
    """Speed within 0.2 % of the one asked; a hall that warms by half a degree an hour."""
    hours = hours_since_start(moment)
    return Air(
        speed_m_s=round(speed_m_s * (1.0 + 0.002 * rng.uniform(-1.0, 1.0)), 2),
        temperature_deg_c=round(20.5 + 0.5 * hours + 0.2 * rng.standard_normal(), 1),
        static_pressure_hpa=round(1006.0 - 0.3 * hours + 0.1 * rng.standard_normal(), 1),
        relative_humidity=round(0.42 - 0.01 * hours + 0.005 * rng.standard_normal(), 2),
    )
