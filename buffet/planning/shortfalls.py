"""What a plan does not reach, and what would have to change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, floor, log10

from buffet.planning.records import Reached, RecordPlan
from buffet.planning.rig_needs import BalanceNeed, TubeNeed
from buffet.planning.sampling import Sampling, hz_text, rate_over_cutoff, road_hz
from buffet.planning.wind_speeds import Sweep
from buffet.planning.wishes import KM_H, Premises
from buffet.spectral.resolution import WISHED_SEGMENTS
from buffet.usable_band import NEEDED_HZ
from ingest import USABLE_SHARE_OF_CUTOFF, percent


@dataclass(frozen=True)
class Shortfall:
    """One thing that is out of reach."""

    code: str  # kebab-case and stable
    what: str  # with the number that is reached
    change: str  # with the number that would do


def shortfalls(
    premises: Premises,
    sampling: Sampling,
    records: RecordPlan,
    sweep: Sweep,
    balance: BalanceNeed,
    tube: TubeNeed,
) -> tuple[Shortfall, ...]:
    """All of a plan's, the rig's first."""
    return (
        *_sampling(premises, sampling, sweep),
        *_balance(premises, balance, sweep),
        *_tube(premises, tube, sweep),
        *_sweep(sweep),
        *_band(premises, sweep),
        *_records(premises, records),
        *(one for wish in records.wishes for one in _wish(wish, records, premises)),
    )


def _sampling(premises: Premises, found: Sampling, sweep: Sweep) -> Iterator[Shortfall]:
    if found.is_enough:
        return
    fastest = sweep.fastest
    top_hz, slow = premises["band_hz"][1], premises["road_speeds_m_s"][0]
    reached = road_hz(found.usable_to_hz, fastest.speed_m_s, slow, premises["scale"])
    share = found.usable_to_hz / found.needed_to_hz
    rate_hz = found.needed_to_hz / USABLE_SHARE_OF_CUTOFF * rate_over_cutoff(found.order)
    yield Shortfall(
        "sample-rate",
        f"{hz_text(found.rate_hz, 4)} Hz with a cutoff of {hz_text(found.cutoff_hz)} Hz reach "
        f"{hz_text(found.usable_to_hz)} Hz in the tunnel, of {hz_text(found.needed_to_hz)} Hz "
        f"needed at {fastest.speed_m_s:.3g} m/s: {reached:.3g} of {top_hz:g} road Hz at "
        f"{slow * KM_H:.0f} km/h",
        _ways(
            f"sample at {hz_text(rate_hz)} Hz or more",
            f"blow at {fastest.speed_m_s * share:.3g} m/s at most",
            *_from_speed(premises, share),
        ),
    )


def _balance(premises: Premises, need: BalanceNeed, sweep: Sweep) -> Iterator[Shortfall]:
    usable_hz, available_hz = need.usable_hz, need.available_hz
    if need.is_enough or usable_hz is None or available_hz is None:
        return
    slowest = sweep.slowest
    slow = premises["road_speeds_m_s"][0]
    reached = road_hz(usable_hz, slowest.speed_m_s, slow, premises["scale"])
    share = usable_hz / slowest.needed_hz
    stiffer = (slowest.needed_hz / usable_hz) ** 2
    enough = "enough" if reached >= NEEDED_HZ else "and too little"
    yield Shortfall(
        "balance-frequency",
        f"the balance's {hz_text(available_hz, 4)} Hz are corrected for up to "
        f"{hz_text(usable_hz)} Hz, which at {slowest.speed_m_s:.3g} m/s, the slowest wind, is "
        f"{reached:.3g} of {premises['band_hz'][1]:g} road Hz at {slow * KM_H:.0f} km/h "
        f"({enough} for the {NEEDED_HZ:g} Hz that a vertical rating needs at least)",
        _ways(
            f"a natural frequency of {hz_text(need.slowest_hz)} Hz, a balance {stiffer:.3g} times "
            "as stiff",
            f"a slowest wind of {slowest.speed_m_s * share:.3g} m/s",
            *_from_speed(premises, share),
            "accelerometers on the model, which give the inertial part",
        ),
    )
    if usable_hz < slowest.shedding_hz:
        yield Shortfall(
            "peak-beyond-balance",
            f"the wake sheds at {hz_text(slowest.shedding_hz)} Hz at the slowest wind, above the "
            f"{hz_text(usable_hz)} Hz that the balance reaches",
            f"blow at {slowest.speed_m_s * usable_hz / slowest.shedding_hz:.2g} m/s at most, or "
            "use a stiffer balance",
        )


def _from_speed(premises: Premises, share: float) -> Iterator[str]:
    """The road speed from which a share of the frequencies is enough, where that is asked for."""
    slow, fast = premises["road_speeds_m_s"]
    if slow / share <= fast:
        yield f"road speeds from {slow * KM_H / share:.0f} km/h on"


def _ways(*told: str) -> str:
    return "; or ".join(told)


def _tube(premises: Premises, need: TubeNeed, sweep: Sweep) -> Iterator[Shortfall]:
    if need.longest_m is not None:
        return
    yield Shortfall(
        "tubing",
        f"no tube of {1e3 * need.bore_m:.3g} mm bore with {1e9 * need.volume_m3:.3g} mm³ behind "
        f"it can be corrected up to {hz_text(need.to_hz)} Hz with an amplification of "
        f"{need.largest_amplification:g} at most",
        "a wider bore, a smaller volume at the sensor, sensors at the taps, or a slower wind",
    )


def _sweep(sweep: Sweep) -> Iterator[Shortfall]:
    if sweep.tells:
        return
    lost = "scales with the wind speed" if not sweep.tells_scaling else "keeps its frequency"
    change = (
        "more than other wind speeds: down to a third of the fastest none tells it, since the "
        "peak lies beyond the band that is sampled or is not known well enough"
        if sweep.wider_share is None
        else f"{sweep.wider_count} wind speeds, equal ratios apart, from "
        f"{sweep.fastest.speed_m_s * sweep.wider_share:.3g} m/s on"
    )
    yield Shortfall("flow-or-rig", f"these wind speeds do not tell that a peak {lost}", change)


def _band(premises: Premises, sweep: Sweep) -> Iterator[Shortfall]:
    (low, high), (first, last) = premises["band_hz"], sweep.road_shedding_hz
    if low <= first and last <= high:
        return
    yield Shortfall(
        "peak-outside-band",
        f"on the road the wake sheds at {hz_text(first)} to {hz_text(last)} Hz, not all of which "
        f"lies in the band of {low:g} to {high:g} Hz",
        f"a band of {min(low, first / 2):.2g} to {hz_text(max(high, 2 * last))} Hz",
    )


def _records(premises: Premises, records: RecordPlan) -> Iterator[Shortfall]:
    longest_s = premises["longest_run_s"]
    if records.resolution_record_s <= longest_s:
        return
    yield Shortfall(
        "resolution",
        f"bins of {records.resolution_hz:.2g} Hz need runs of {records.resolution_record_s:.0f} s, "
        f"longer than {longest_s:.0f} s",
        _ways(
            f"runs of {records.resolution_record_s:.0f} s, which hold {WISHED_SEGMENTS} segments",
            f"a slowest wind faster by a factor of {records.resolution_record_s / longest_s:.2g}",
        ),
    )


def _wish(one: Reached, records: RecordPlan, premises: Premises) -> Iterator[Shortfall]:
    if one.is_reached:
        return
    demand = one.demand
    of = f" of {demand.configuration}" if demand.configuration else ""
    ways = []
    if one.repeats_needed is not None:
        ways.append(
            f"{one.repeats_needed} repeats of runs of "
            f"{max(records.record_s, premises['longest_run_s']):.0f} s"
        )
    if one.scatter_needed is not None:
        ways.append(
            f"a scatter from run to run of {percent(one.scatter_needed)} in place of "
            f"{percent(demand.run_to_run)}"
        )
    if demand.fixed and not ways:
        ways.append(
            f"a coefficient that varies less over the wind speeds than the {percent(demand.fixed)} "
            "taken, which neither records nor repeats narrow"
        )
    scale = _onset_factor(one, premises)
    ways.append(f"ask for ±{_rounded_up(100 * one.half_width / scale):.2g} %")
    yield Shortfall(
        f"{demand.wish.lower().replace(' ', '-')}-within",
        f"{demand.wish}{of} to ±{100 * demand.within / scale:.3g} %: the plan reaches "
        f"±{100 * one.half_width / scale:.2g} %",
        _ways(*ways),
    )


def _rounded_up(value: float) -> float:
    """To two digits: what is asked for then is reached."""
    unit = 10.0 ** (floor(log10(value)) - 1)
    return ceil(value / unit - 1e-9) * unit


def _onset_factor(one: Reached, premises: Premises) -> float:
    """A motion's half-width over that of the onset speed."""
    if one.demand.wish != "onset speed":
        return 1.0
    return float(one.demand.within / premises["onset_within"])
