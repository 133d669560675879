"""The truth as a document: what a perfect analysis of the recordings would find."""

from __future__ import annotations

from typing import Any

import numpy as np

from buffet.demo import expected
from buffet.demo.logger import (
    ANTIALIAS_CUTOFF_HZ,
    ANTIALIAS_ORDER,
    CHANNELS,
    LIFT_DAMPING,
    LIFT_RESONANCE_HZ,
    MAINS_HZ,
    WARM_UP_HOURS,
    MadeRun,
)
from buffet.demo.schedule import DemoSettings, PlannedRun, hours_since_start
from buffet.demo.spectra import Broadband, FloatArray, Resonance, TwoState
from buffet.demo.truth import (
    COMPONENTS,
    CONFIGURATIONS,
    FAN_LINE,
    MODEL,
    SCATTER,
    SIDE_FORCE,
    TAP_LEFT,
    TAP_RIGHT,
    YAW_MOMENT,
    Configuration,
)
from buffet.demo.wake import Wake

FORMAT = "buffet/demo-truth"
VERSION = 1
USABLE_SHARE_OF_RESONANCE = 0.8  # up to here a stated balance resonance is removed
USABLE_SHARE_OF_CUTOFF = 0.7  # up to here the anti-alias filter takes less than 0.4 %

ABOUT = {
    "what": "Everything the invented campaign's recordings were made from. No number here is a "
    "measurement.",
    "coefficients": "Forces over q A, moments over q A wheelbase, pressures over q, with q from "
    "the stated wind speed and air, A and wheelbase of the model. No blockage effect and no "
    "Reynolds number trend are simulated: compare before any blockage correction.",
    "axes": "SAE J1594: C_LF = C_L/2 + C_PM, C_LR = C_L/2 - C_PM. front lift, rear lift, drag, "
    "side force, yaw moment and two taps are logged; lift and pitch moment follow.",
    "rms": "Standard deviation of the coefficient in expectation over all frequencies, by part; "
    "parts are independent, so their squares add to the total. The fan line is not in it. "
    "rms_to_usable is the total from 0 to usable_hz at each wind speed.",
    "peaks": "One-sided PSD A f0^2 B^2 / ((f^2 - f0^2)^2 + f^2 B^2), f0 = strouhal U / L, "
    "B = f0 / quality, variance A pi B / 2. The maximum lies at strouhal_of_maximum.",
    "broadband": "One-sided PSD s^2 (4 / (pi fc)) / (1 + (f / fc)^2)^2, fc = corner_strouhal "
    "U / L.",
    "switching": "Two states with exponential dwell times, means dwell_lengths L / U. Its signal "
    "is a random telegraph of one-sided PSD s^2 4 T / (1 + (2 pi f T)^2), 1 / T the sum of the "
    "reciprocal mean dwell times; levels are the mean coefficients of each state less the "
    "mean over both. The noise that drives vertical shedding is multiplied by fluctuation_factor "
    "of the state, whose mean square over time is 1.",
    "coherence": "Magnitude squared, with lift at the vertical peak and with side force at the "
    "lateral peak, of the flow alone (no noise, no fan line), at 40 m/s; the same at any speed.",
    "runs": "Each run's own fluctuation_factor multiplies every fluctuation of its configuration "
    "(not the fan line), and its mean coefficients differ a little. rms is in expectation for "
    "this run; realised_rms is that of the samples logged, of the flow before balance and "
    "sensors. zero_counts of wind-off runs are at the middle of the run.",
}


def truth_statement(
    seed: int, settings: DemoSettings, runs: dict[str, dict[str, Any]]
) -> dict[str, Any]:
    """The whole truth, ready for JSON; runs as run_statement made them, by number."""
    speeds = settings.speeds_m_s
    statement: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "about": ABOUT,
        "seed": seed,
        "model": vars(MODEL),
        "repeats": {"standard_deviations": vars(SCATTER)},
        "fan_line": {"hz_per_m_s": FAN_LINE.hz_per_m_s, "rms": _fan_rms()},
        "logger": _logger_statement(settings),
        "configurations": {c.name: configuration_statement(c, speeds) for c in CONFIGURATIONS},
        "runs": runs,
    }
    return {key: _readable(value) for key, value in statement.items()}


def configuration_statement(
    configuration: Configuration, speeds_m_s: tuple[float, ...]
) -> dict[str, Any]:
    """Truth of one configuration."""
    return {
        "verdict_at_130_km_h": configuration.verdict_at_130_km_h,
        "peaks": _peaks(configuration),
        "broadband": {"corner_strouhal": _corner(configuration)},
        "switching": _switching(configuration),
        "components": {
            component: _component(configuration, component, speeds_m_s)
            for component in expected.ALL_COMPONENTS
        },
    }


def run_statement(made: MadeRun) -> dict[str, Any]:
    """Truth of one run."""
    plan = made.plan
    common = {
        "kind": "wind-on" if plan.wind_on else "wind-off",
        "configuration": plan.configuration.name,
    }
    return common | (_zero(plan) if made.wake is None else _wind(plan, made.wake))


def _wind(plan: PlannedRun, wake: Wake) -> dict[str, Any]:
    configuration = plan.configuration
    means = dict(zip(COMPONENTS, plan.mean, strict=True))
    flow = plan.fluctuation_factor * wake.kept
    return {
        "speed_m_s": plan.air.speed_m_s,
        "density_kg_m3": plan.air.density_kg_m3,
        "dynamic_pressure_pa": plan.air.dynamic_pressure_pa,
        "fluctuation_factor": plan.fluctuation_factor,
        "peak_hz": {
            name: peak.frequency_hz(MODEL.advection_hz(plan.air.speed_m_s))
            for name, peak in _resonances(configuration).items()
        },
        "fan_line_hz": FAN_LINE.frequency_hz(plan.air.speed_m_s),
        "state_changes": wake.state_changes,
        "mean": {name: expected.carried(means, name) for name in expected.ALL_COMPONENTS},
        "rms": {
            name: plan.fluctuation_factor * expected.part_rms(configuration, name)
            for name in expected.ALL_COMPONENTS
        },
        "realised_rms": {name: _realised(flow, name) for name in expected.ALL_COMPONENTS},
    }


def _zero(plan: PlannedRun) -> dict[str, Any]:
    hours = hours_since_start(plan.started) + plan.duration_s / 2 / 3600.0
    zeros = {
        channel.name: float(channel.zero_counts(plan.configuration.name, hours))
        for channel in CHANNELS
    }
    return {"zero_counts": zeros}


def _realised(flow: FloatArray, component: str) -> float:
    weights = expected.weights(component)
    return float(np.std(np.array([weights.get(name, 0.0) for name in COMPONENTS]) @ flow))


def _component(
    configuration: Configuration, component: str, speeds_m_s: tuple[float, ...]
) -> dict[str, Any]:
    usable_hz = _usable_hz(component)
    by_part = {
        part: expected.part_rms(configuration, component, part)
        for part in expected.parts(configuration)
    }
    return {
        "mean": expected.carried(configuration.mean, component),
        "rms": by_part | {"total": expected.part_rms(configuration, component)},
        "usable_hz": usable_hz,
        "rms_to_usable": {
            f"{speed:g} m/s": expected.rms_up_to(configuration, component, speed, usable_hz)
            for speed in speeds_m_s
        },
        "coherence": {
            "lift at vertical peak": _coherence(configuration, component, "vertical shedding"),
            "side force at lateral peak": _coherence(configuration, component, "lateral shedding"),
        },
    }


def _coherence(configuration: Configuration, component: str, part: str) -> float:
    speed_m_s = 40.0
    peak = _resonances(configuration)[part]
    partner = "lift" if part == "vertical shedding" else SIDE_FORCE
    peak_hz = peak.frequency_hz(MODEL.advection_hz(speed_m_s))
    return expected.coherence(configuration, component, partner, speed_m_s, peak_hz)


def _usable_hz(component: str) -> float:
    """Where the logged channels stop telling the truth: balance resonance or filter."""
    if component in ("drag", SIDE_FORCE, YAW_MOMENT, TAP_LEFT, TAP_RIGHT):
        return USABLE_SHARE_OF_CUTOFF * ANTIALIAS_CUTOFF_HZ
    return USABLE_SHARE_OF_RESONANCE * LIFT_RESONANCE_HZ


def _resonances(configuration: Configuration) -> dict[str, Resonance]:
    return {
        source.part: source.shape
        for source in configuration.sources
        if isinstance(source.shape, Resonance)
    }


def _peaks(configuration: Configuration) -> dict[str, dict[str, float]]:
    return {
        part: {
            "strouhal": peak.strouhal,
            "quality": peak.quality,
            "bandwidth_strouhal": peak.strouhal / peak.quality,
            "strouhal_of_maximum": peak.strouhal * (1.0 - 0.5 / peak.quality**2) ** 0.5,
        }
        for part, peak in _resonances(configuration).items()
    }


def _switching(configuration: Configuration) -> dict[str, Any] | None:
    states = configuration.switching
    if states is None:
        return None
    jump = next(s.rms for s in configuration.sources if isinstance(s.shape, TwoState))
    return {
        name: {
            "share_of_time": states.shares[i],
            "dwell_lengths": states.dwell_lengths[i],
            "dwell_s_at_40_m_s": states.dwell_s(MODEL.advection_hz(40.0))[i],
            "fluctuation_factor": states.amplitudes[i],
            "levels": {
                component: expected.carried(jump, component) * states.levels[i]
                for component in expected.ALL_COMPONENTS
            },
        }
        for i, name in enumerate(states.names)
    }


def _corner(configuration: Configuration) -> float:
    return next(
        source.shape.corner_strouhal
        for source in configuration.sources
        if isinstance(source.shape, Broadband)
    )


def _fan_rms() -> dict[str, float]:
    return {name: expected.carried(FAN_LINE.rms, name) for name in expected.ALL_COMPONENTS}


def _logger_statement(settings: DemoSettings) -> dict[str, Any]:
    return {
        "sample_rate_hz": settings.sample_rate_hz,
        "antialias": {"cutoff_hz": ANTIALIAS_CUTOFF_HZ, "butterworth_order": ANTIALIAS_ORDER},
        "balance_resonance": {"frequency_hz": LIFT_RESONANCE_HZ, "damping": LIFT_DAMPING},
        "mains_hz": MAINS_HZ,
        "zero_warm_up_hours": WARM_UP_HOURS,
        "channels": {
            channel.name: {
                "gain": f"{channel.gain:g} {channel.gain_unit}/count",
                "noise_rms_counts_before_filter": channel.noise,
                "hum_rms_counts": channel.hum,
                "zero_counts_at_start": channel.zero,
                "zero_warm_up_counts": channel.warm_up,
                "zero_step_counts": {
                    configuration.name: step
                    for configuration, step in zip(CONFIGURATIONS, channel.refit, strict=True)
                },
            }
            for channel in CHANNELS
        },
    }


def _readable(value: Any) -> Any:
    """The same with six significant digits, which outlast any rounding of a machine."""
    if isinstance(value, dict):
        return {key: _readable(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [_readable(entry) for entry in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value
