"""What the extremes of a run say on a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Iterator

from buffet.extremes.result import NOISY, Extremes, LoadChance, QuantityExtremes
from buffet.phrases import by_reason, from_to, listed, with_unit
from buffet.road_speed import NO_ROAD
from buffet.terminal import KM_H, number, paragraph, span, table

MINUTE_S = 60.0
# A longer time is told in minutes.
LONG_S = 120.0


def text(found: Extremes) -> str:
    """One line a quantity, the loads asked for, and what speaks against the figures."""
    rows = [_row(q) for q in found.quantities if q.largest]
    header = ("quantity", "smallest", "largest", "78 %")
    parts = [
        paragraph(_head(found)),
        table(header, rows, gap=" "),
        *map(paragraph, _loads(found)),
        paragraph(
            "Smallest and largest are those of the mean drive (57 % fractile of a Gumbel "
            "distribution). 78 %: how much further that lies which one drive in 4.5 exceeds."
        ),
        *map(paragraph, _peak_factors(found)),
        *map(paragraph, _remarks(found)),
    ]
    return "\n".join(parts)


def _head(found: Extremes) -> str:
    blocks = [len(q.largest.tail.extremes) for q in found.quantities if q.largest]
    model = f"{found.model_time_s:.3g} s of this run, {found.times_record:.2g} times its length"
    if found.road_speed_m_s is None:
        times = f"{found.times_record:.2g} times its length"
        where = f"{_time(found.driving_time_s)} of this run's wind ({times}; {NO_ROAD})"
    else:
        where = (
            f"{_time(found.driving_time_s)} at {found.road_speed_m_s * KM_H:.0f} km/h ({model}), "
            "full scale where in N, N m, Pa"
        )
    reach = from_to([q.to_hz for q in found.quantities if q.largest and q.to_hz], ".3g")
    return (
        f"Extremes in {where}; up to {reach} Hz, from {from_to(blocks, 'd')} blocks of the record. "
        "Intervals: 95 %."
    )


def _time(time_s: float) -> str:
    return f"{time_s / MINUTE_S:.3g} min" if time_s >= LONG_S else f"{time_s:.3g} s"


def _row(one: QuantityExtremes) -> tuple[str, ...]:
    assert one.largest is not None
    assert one.smallest is not None
    factor = one.full_scale or 1.0
    unit = one.full_scale_unit or one.quantity.unit
    further = max(abs(w.high.value - w.expected.value) for w in (one.smallest, one.largest))
    return (
        with_unit(one.quantity.name, unit),
        span(one.smallest.expected, factor=factor),
        span(one.largest.expected, factor=factor),
        number(further * factor, "+.2g"),
    )


def _peak_factors(found: Extremes) -> Iterator[str]:
    """Of all quantities together, and where Davenport's does not hold."""
    known = [(q, q.peak_factor) for q in found.quantities if q.peak_factor is not None]
    own = [q.own_peak_factors for q, _ in known]
    if not known:
        return
    measured = from_to([factor for pair in own for factor in pair], ".1f")
    text = f"Peak factor, distance from the mean over the RMS: {measured}; of a Gaussian record "
    text += f"{from_to([factor.davenport for _, factor in known], '.1f')} (Davenport)"
    reasons = by_reason(
        (factor.davenport_why, one.quantity.name)
        for one, factor in known
        if factor.davenport_why is not None
    )
    told = [f"not for {listed(names)}: {why}" for why, names in reasons.items()]
    yield f"{text}{', ' if told else ''}{'; '.join(told)}."


def _loads(found: Extremes) -> Iterator[str]:
    for one in found.loads:
        yield _load(one)


def _load(one: LoadChance) -> str:
    unit = "" if one.load.unit == "1" else f" {one.load.unit}"
    name = f"{one.load.quantity} {'above' if one.is_above else 'below'} {one.load.value:g}{unit}"
    if one.chance is None:
        return f"{name}: not told, {one.why}."
    return f"Probability of {name} at least once in that time: {chance(one)}."


def chance(one: LoadChance) -> str:
    """A probability with its limits, to two digits."""
    assert one.chance is not None
    low, high = (_probability(limit) for limit in (one.chance.low, one.chance.high))
    return f"{_probability(one.chance.value)} ({low}…{high})"


def _probability(value: float | None) -> str:
    if value is not None and not 0.001 <= value <= 0.999:
        return "<0.001" if value < 0.5 else ">0.999"
    return number(value, ".2g")


def _remarks(found: Extremes) -> Iterator[str]:
    quantities = [q for q in found.quantities if q.largest and q.smallest]
    if found.is_far:
        yield (
            f"The time is {found.times_record:.3g} times the record: the intervals may be too "
            "narrow; record for longer."
        )
    if names := [q.quantity.name for q in quantities if q.serially_correlated]:
        yield (
            f"Neighbouring blocks resemble each other in {listed(names)}: something slow moves "
            "the extremes, and the intervals are too narrow."
        )
    if names := [q.quantity.name for q in quantities if q.poor_fit]:
        yield f"The blocks' extremes are not Gumbel distributed in {listed(names)} (p < 0.01)."
    if names := [q.quantity.name for q in quantities if q.is_untold]:
        yield (
            f"Bursts, states or a bound in {listed(names)}: the record does not tell how that "
            "tail goes on, and its interval spans a Gaussian and an exponential one."
        )
    if names := [q.quantity.name for q in quantities if (q.noise_share or 0.0) > NOISY]:
        yield (
            f"Noise without wind is in the extremes of {listed(names)}, with more than "
            f"{NOISY:.0%} of the RMS."
        )
    if found.holds_more:
        yield f"The extremes hold {listed(found.holds_more)}."
    lacking = ((one.why, one.quantity.name) for one in found.quantities if one.why)
    for why, names in by_reason(lacking).items():
        yield f"No extremes of {listed(names)}: {why}."
