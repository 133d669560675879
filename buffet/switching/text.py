"""One state or two as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Iterator

from buffet.interval import Interval
from buffet.phrases import listed, with_unit
from buffet.switching.decision import LEVEL
from buffet.switching.two_states import RELIABLE_CHANGES, States, TwoStates
from buffet.terminal import number, p_value, paragraph, span, table

# Exponential dwell times are doubted below this p-value (common practice).
DOUBTED = 0.05
SIDES = ("lower", "upper")


def text(x: TwoStates) -> str:
    """One line where one state is enough; else how long each is held and what differs."""
    if x.states is None:
        first = x.tests[0]
        tested = "" if first.p_value is None else f"; p = {p_value(first.p_value)}"
        return paragraph(
            f"Two states: none shown. One state explains the record: in {first.name}, which comes "
            f"closest, {x.why_one}{tested}.{_held(x)}"
        )
    return "\n".join(_parts(x, x.states))


def _parts(x: TwoStates, states: States) -> Iterator[str]:
    values = states.values
    assert x.p_value is not None
    yield paragraph(
        f"Two states, clearest in {values.name} (p ≤ {p_value(max(x.p_value, 0.001))} over all "
        f"quantities, called from {LEVEL:g}): {states.changes} changes in {states.duration_s:.4g} "
        f"s, {_rates(x, states.rate_hz)}. Lower and upper are those of {values.name}; dwell is the "
        "mean time a state is held, with visits too short to be seen allowed for; p exp. is low "
        "where changes do not come at random."
    )
    yield _dwell_table(x, states)
    shown = [q for q in states.quantities if _differs(q.difference)]
    rows = [
        (
            with_unit(q.name, q.unit),
            span(q.difference, sign=True),
            *(number(rms.value if rms else None) for rms in q.rms),
            f"{q.share:.0%}",
        )
        for q in sorted(shown, key=lambda q: -q.share)
    ]
    yield table(("quantity", "upper less lower", "RMS lower", "RMS upper", "of variance"), rows)
    if same := [q.name for q in states.quantities if not _differs(q.difference)]:
        yield paragraph(f"No change of level is seen in {listed(same)}.")
    yield from map(paragraph, _doubts(states))
    if held := _held(x):
        yield paragraph(held.strip())


def _held(x: TwoStates) -> str:
    return f" The samples hold {listed(x.holds_more)}." if x.holds_more else ""


def _rates(x: TwoStates, rate: Interval) -> str:
    told = f"{span(rate)} a second"
    if x.lengths_per_s is not None:
        told += f" or {1000 * rate.value / x.lengths_per_s:.3g} in 1000 L/U"
    if x.road_per_model is not None:
        told += f", on the road {span(rate, factor=x.road_per_model)} a second"
    return told


def _dwell_table(x: TwoStates, states: States) -> str:
    header = ["state", "level", "of time", "dwell, s"]
    header += ["L/U"] * (x.lengths_per_s is not None)
    header += ["road s"] * (x.road_per_model is not None)
    rows = []
    for side, own, level in zip(SIDES, states.dwell, states.values.mean, strict=True):
        mean = own.mean_s
        row = [side, span(level), f"{own.share:.0%}", span(mean)]
        if x.lengths_per_s is not None:
            row.append(number(mean.value * x.lengths_per_s if mean else None))
        if x.road_per_model is not None:
            row.append(number(mean.value / x.road_per_model if mean else None))
        rows.append([*row, number(own.p_exponential, ".2f")])
    return table((*header, "p exp."), rows, gap=" ")


def _differs(difference: Interval) -> bool:
    low, high = difference.low, difference.high
    return low is not None and high is not None and not low <= 0 <= high


def _doubts(states: States) -> Iterator[str]:
    if not states.is_reliable:
        yield (
            f"Fewer than {RELIABLE_CHANGES} changes: rate, dwell times and intervals are not to be "
            "relied on; record for longer."
        )
    if whys := dict.fromkeys(one.why for one in states.dwell if one.why):
        yield f"No mean dwell time: {listed(list(whys))}."
    odd = [
        side
        for side, own in zip(SIDES, states.dwell, strict=True)
        if own.p_exponential is not None and own.p_exponential < DOUBTED
    ]
    if odd:
        yield (
            f"Dwell times of the {listed(odd)} state are not exponential: the changes do not come "
            "at random alone."
        )
