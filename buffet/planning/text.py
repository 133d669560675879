"""What `plan` says on a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from buffet.phrases import by_reason, listed
from buffet.planning.plan import Plan
from buffet.planning.records import Reached
from buffet.planning.sampling import hz_text
from buffet.planning.wishes import JUDGEMENT, Premise
from buffet.terminal import KM_H, paragraph, table

HOUR_S = 3600.0
BYTE_UNITS = ("bytes", "kB", "MB", "GB", "TB")


def plan_text(plan: Plan) -> str:
    """What to set, the wind speeds, what is reached, what is not, and what it all rests on."""
    parts = [
        paragraph(_head(plan)),
        table(("run with", ""), list(_settings(plan))),
        _winds(plan),
        _wishes(plan),
        *(paragraph(told) for told in _remarks(plan)),
        *_shortfalls(plan),
        *_premises(plan),
    ]
    return "\n\n".join(part for part in parts if part)


def _head(plan: Plan) -> str:
    premises = plan.premises
    slow, fast = premises["road_speeds_m_s"]
    low, high = premises["band_hz"]
    names = plan.configurations
    return (
        f"{100 * premises['scale']:.3g} % model, {listed(names)}: "
        f"for {slow * KM_H:.0f} to {fast * KM_H:.0f} km/h and {low:g} to {high:g} Hz on the road."
    )


def _settings(plan: Plan) -> Iterator[tuple[str, str]]:
    sampling, records, premises = plan.sampling, plan.records, plan.premises
    yield "sample rate", f"{hz_text(sampling.rate_hz, 4)} Hz"
    yield (
        "anti-alias filter",
        f"{hz_text(sampling.cutoff_hz)} Hz, Butterworth of order {sampling.order}: what folds is "
        f"{sampling.folded_db:.0f} dB down",
    )
    yield "record length", f"{records.record_s:.0f} s with wind, {records.wind_off_s:.0f} s without"
    fitted = records.repeats * len(plan.configurations)
    often = "once" if fitted == 1 else f"{fitted} times"
    yield "repeats", f"{records.repeats} a wind speed, {often} an add-on is fitted"
    on = sum(run.wind_on for run in plan.runs)
    yield (
        "runs",
        f"{on} with wind, {len(plan.runs) - on} without: {plan.tunnel_s / HOUR_S:.2g} h of tunnel "
        "time",
    )
    yield (
        "on disk",
        f"{bytes_text(plan.storage.n_bytes)} ({premises['channels']:.0f} channels, "
        f"{premises['bytes_per_value']:.2g} bytes a value)",
    )
    yield from _rig(plan)


def _rig(plan: Plan) -> Iterator[tuple[str, str]]:
    need, tube = plan.balance, plan.tube
    yield (
        "balance, with model",
        f"{hz_text(need.slowest_hz)} Hz or more ({hz_text(need.every_hz)} Hz to do so at "
        "every wind speed)",
    )
    if need.stiffness_n_m is not None:
        yield (
            "its stiffness",
            f"{need.stiffness_n_m / 1e6:.3g} kN/mm or more, with {need.model_mass_kg:g} kg on it",
        )
    size = f"({1e3 * tube.bore_m:.3g} mm bore, {1e9 * tube.volume_m3:.3g} mm³ at the sensor)"
    if tube.longest_m is None:
        yield "tubes to taps", f"no length will do {size}"
    else:
        shown = f"{tube.longest_m:.2g} m{' or more' if tube.is_open else ' at most'}"
        yield "tubes to taps", f"{shown} {size}"


def bytes_text(n_bytes: float) -> str:
    """ "42 MB", in powers of a thousand."""
    power = 0
    while n_bytes >= 1000 and power < len(BYTE_UNITS) - 1:
        n_bytes, power = n_bytes / 1000, power + 1
    return f"{n_bytes:.3g} {BYTE_UNITS[power]}"


def _winds(plan: Plan) -> str:
    slow, fast = (v * KM_H for v in plan.premises["road_speeds_m_s"])
    header = ("wind, m/s", "Re", "sheds, Hz", f"to Hz, {slow:.0f} km/h", f"to Hz, {fast:.0f} km/h")
    rows = [
        (
            f"{one.speed_m_s:.4g}",
            f"{one.reynolds:.2e}",
            hz_text(one.shedding_hz),
            hz_text(one.needed_hz),
            hz_text(one.needed_fast_hz),
        )
        for one in plan.sweep.speeds
    ]
    low, high = plan.sweep.road_reynolds
    first, last = plan.sweep.road_shedding_hz
    told = "tell" if plan.sweep.tells else "do not tell"
    return f"{table(header, rows)}\n" + paragraph(
        "To Hz: where the band ends in the tunnel, for the lowest and the highest road speed. "
        f"On the road the wake sheds at {hz_text(first, 2)} to {hz_text(last, 2)} Hz, at a "
        f"Reynolds number of {low:.2g} to {high:.2g}. These speeds {told} peaks of the flow from "
        "those of the rig."
    )


def _wishes(plan: Plan) -> str:
    rows = [_wish(plan, one) for one in plan.records.wishes]
    records = plan.records
    rows.append(
        (
            f"bins of {hz_text(records.resolution_hz, 2)} Hz",
            "peak and band",
            f"{records.resolution_record_s:.0f}",
            "",
        )
    )
    header = ("wanted (95 %)", "hardest of", "needs, s", "plan reaches")
    ruled = f"The {records.rules} asks for the longest record."
    return f"{table(header, rows)}\n{paragraph(ruled)}"


def _wish(plan: Plan, one: Reached) -> tuple[str, ...]:
    demand, factor = one.demand, _factor(plan, one)
    of = demand.component
    if demand.configuration:
        of = f"{demand.configuration}, {demand.component}"
    return (
        f"{demand.wish} ±{100 * demand.within / factor:.3g} %",
        of,
        "-" if one.record_s is None else f"{one.record_s:.3g}" if one.record_s >= 1 else "<1",
        f"±{100 * one.half_width / factor:.2g} %",
    )


def _factor(plan: Plan, one: Reached) -> float:
    """An onset's wish is kept as that of the motion behind it."""
    if one.demand.wish != "onset speed":
        return 1.0
    return float(one.demand.within / plan.premises["onset_within"])


def _remarks(plan: Plan) -> Iterator[str]:
    scatter = "is told by all repeats together, with Student's t"
    if plan.records.repeats == 1:
        scatter = "is taken as stated: without repeats the campaign does not tell it"
    yield (
        "RMS: of one configuration at one wind speed over its repeats. Strouhal number and onset "
        "speed: over all its runs. An onset's error is that of the motion over the power with "
        "which it grows; what is not known of the car comes on top. Scatter from run to run "
        f"{scatter}."
    )
    bursty: dict[str, float] = {}  # of its component that does so most
    for one in plan.subjects.fluctuations:
        if one.excess > 1:
            bursty[one.configuration] = max(one.excess, bursty.get(one.configuration, 1.0))
    if bursty:
        names = listed([f"{name} ({value:.2g} times)" for name, value in bursty.items()])
        yield (
            "Variances scatter more than those of Gaussian noise of the same spectrum, as of a "
            f"wake that bursts or changes its state: {names}. The longer record is planned."
        )
    if plan.needs_resolution:
        yield (
            f"The peak is narrow: ask `spectra` for --resolution "
            f'"{plan.records.resolution_hz:.2g} Hz", finer than it takes by itself.'
        )
    for why, wishes in by_reason((why, wish) for wish, why in plan.not_planned).items():
        yield f"No length is told for {listed(wishes)}: {why}."


def _shortfalls(plan: Plan) -> list[str]:
    if plan.is_reached:
        return ["All that is wanted is reached."]
    told = [
        (paragraph(f"Out of reach: {one.what}."), paragraph(f"Would do: {one.change}.", "    "))
        for one in plan.shortfalls
    ]
    return ["\n".join(pair) for pair in told]


def _premises(plan: Plan) -> list[str]:
    told = [_premise(one) for one in plan.premises.defaults]
    text = f"Taken where nothing was stated: {'; '.join(told)}. * {JUDGEMENT}."
    return [paragraph(text)] if told else []


def _premise(one: Premise) -> str:
    """Value and reason; a star for the words that most reasons end with."""
    judged = f"; {JUDGEMENT}"
    star = "*" if one.source.endswith(judged) else ""
    return f"{NAMES[one.key]} {_value(one)}{star} ({one.source.removesuffix(judged)})"


def _span_text(factor: float, unit: str) -> Callable[[Any], str]:
    return lambda pair: f"{pair[0] * factor:.3g} to {pair[1] * factor:.3g} {unit}"


def _plain(factor: float = 1.0, unit: str = "") -> Callable[[Any], str]:
    return lambda value: f"{value * factor:.3g}{unit and f' {unit}'}"


NAMES: Mapping[str, str] = {
    "road_speeds_m_s": "road speeds",
    "band_hz": "road band",
    "strouhal": "Strouhal number",
    "quality": "Q of the peak",
    "peak_share": "variance in the peak",
    "rms_within": "RMS within",
    "strouhal_within": "Strouhal number within",
    "onset_within": "onset speed within",
    "growth": "motion grows with road speed to the power",
    "run_to_run": "RMS scatters from run to run by",
    "strouhal_scatter": "Strouhal number scatters from run to run by",
    "speed_scatter": "RMS coefficient varies over the wind speeds by",
    "longest_run_s": "longest run",
    "run_overhead_s": "tunnel time of a run beside its record",
    "refit_s": "time to fit an add-on",
    "channels": "channels",
    "bytes_per_value": "bytes a value",
    "filter_order": "filter order",
    "tube_bore_m": "tube bore",
    "tube_volume_m3": "volume at the sensor",
    "configurations": "configurations",
}
_PERCENT = _plain(100, "%")
_VALUES: Mapping[str, Callable[[Any], str]] = {
    "road_speeds_m_s": _span_text(KM_H, "km/h"),
    "band_hz": _span_text(1.0, "Hz"),
    **dict.fromkeys(
        (
            "peak_share",
            "rms_within",
            "strouhal_within",
            "onset_within",
            "run_to_run",
            "strouhal_scatter",
            "speed_scatter",
        ),
        _PERCENT,
    ),
    **dict.fromkeys(("longest_run_s", "run_overhead_s", "refit_s"), _plain(1 / 60, "min")),
    "tube_bore_m": _plain(1e3, "mm"),
    "tube_volume_m3": _plain(1e9, "mm³"),
    "configurations": listed,
}


def _value(one: Premise) -> str:
    return _VALUES.get(one.key, _plain())(one.value)
