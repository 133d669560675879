"""A comparison as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from buffet.band_ratios import BandRatio
from buffet.comparing import AXLES, AddOn, Comparison
from buffet.interval import Interval
from buffet.lines_out import lines_out_text
from buffet.pairs import SIGNIFICANT
from buffet.rating.ranking import Ranking
from buffet.rating.rate import Rating
from buffet.road_load.energy import RoadLoadModel
from buffet.road_load.text import changes as energy_changes
from buffet.road_load.text import road_load_text
from buffet.road_wording import road_text
from buffet.terminal import (
    KM_H,
    UNRELIABLE,
    corrected,
    number,
    p_value,
    paragraph,
    span,
    table,
    verdict_row,
)
from buffet.trade_offs import TradeOff
from buffet.wind_wording import RATIOS_WITHOUT_WIND, wind_text

# Repeats in all from which the scatter from run to run is fairly known: with fewer Student's t
# makes differences hard to show (2.4 standard errors with six, 2.0 without end).
FEW_REPEATS = 6


def verdicts_text(rating: Rating, comparison: Comparison | None) -> str:
    """The verdict table alone, with the recommendation."""
    rows = [verdict_row(one) for one in rating.configurations]
    speed = f"{rating.speed_m_s * KM_H:.0f} km/h"
    header = (f"verdict at {speed}", "configuration", "onset, km/h", "usable band, Hz")
    parts = [table(header, rows)]
    if comparison is not None:
        parts.append(recommended(comparison))
    return "\n\n".join(parts)


def comparison_text(comparison: Comparison) -> str:
    """Ratios, differences, costs and the recommendation."""
    speed = f"{comparison.speed_m_s * KM_H:.0f} km/h"
    road = road_text(comparison.rating.road, comparison.rating.road_track_m)
    blockage = corrected(comparison.rating.analysis.blockage)
    wind = wind_text(comparison.rating.wind)
    parts = [
        paragraph(
            f"Compared with {comparison.baseline.name}, at {speed}. Intervals: 95 %. "
            f"{road}{blockage}"
        ),
        *([paragraph(f"{wind} {RATIOS_WITHOUT_WIND}")] if wind else []),
        *([paragraph(told)] if (told := lines_out_text(comparison.rating.analysis.runs)) else []),
        *[_add_on(one, comparison) for one in comparison.add_ons],
        trade_text(comparison),
    ]
    if left_out := comparison.rating.left_out:
        parts.append(f"Left out, no run could be read: {', '.join(left_out)}.")
    parts.append(recommended(comparison))
    if rule := comparison.recommendation.rule_of_thumb:
        parts.append(
            paragraph(
                "Rule of thumb of the trade (common practice, no source), with which these "
                f"numbers agree: {rule}."
            )
        )
    if any(one.unreliable for one in comparison.add_ons):
        parts.append(UNRELIABLE)
    return "\n\n".join([*parts, *_notes(comparison)])


def _add_on(one: AddOn, comparison: Comparison) -> str:
    rows = [
        (
            word,
            span(ratio) + (" *" if word in one.unreliable else ""),
            p_value(one.p_value[word]),
            finding_of(one, word, comparison.equal_within),
        )
        for word, ratio in one.rms_ratio.items()
    ]
    lost = [word for word in one.missing if word.startswith("rms_ratio")]
    notes = "".join(f"\n{word[10:]}: {one.missing[word]}" for word in lost)
    ratios = table(("RMS ratio of", "add-on / baseline", "p", "finding"), rows) + notes
    p = {word: p_value(value) for word, value in one.delta_p_value.items()}
    energy = energy_changes(one.road_load, comparison.speed_trace)
    costs = [
        ("drag coefficient", span(one.delta_drag, sign=True), p.get("drag", "-")),
        ("front lift coefficient", span(one.delta_front_lift, sign=True), p.get("front lift", "-")),
        ("rear lift coefficient", span(one.delta_rear_lift, sign=True), p.get("rear lift", "-")),
        ("fuel at this speed, %", span(one.fuel_change_percent, sign=True), ""),
        *((row, span(own, sign=True), "") for row, own in energy),
        ("top speed, %", span(one.top_speed_change_percent, sign=True), ""),
    ]
    changes = table(("change", "add-on - baseline", "p"), costs)
    parts = [f"{one.name} ({one.rating.verdict})\n{ratios}", *_bands(one), *_taps(one), changes]
    if one.lift_balance:
        parts.append(_lift_balance(one))
    return "\n\n".join(parts)


def finding_of(one: AddOn, word: str, equal_within: float) -> str:
    """Of a component: a difference, none to speak of, or neither and what would be shown."""
    if one.p_value[word] < SIGNIFICANT:
        part = one.rig.get(word)
        if part is None:
            return "different"
        whose = "the rig's" if part.mostly else "different, partly the rig's"
        return f"{whose}: {min(part.share, 1):.0%} at {part.frequency_hz:.3g} Hz"
    if one.equivalence_p_value[word] < SIGNIFICANT:
        return f"equal within {equal_within:.0%}"
    text = f"open; shown from {one.detectable[word]:.1%}"
    runs = one.runs_to_show[word]
    if runs is None or one.detectable[word] <= equal_within:
        return text
    return f"{text}, {equal_within:.0%} by {runs} runs"


def _bands(one: AddOn) -> list[str]:
    """Ratios in octaves; in brackets where no difference is shown."""
    columns = [c for c in zip(*one.bands.values(), strict=True) if any(b.ratio for b in c)]
    if not columns:
        return []
    header = ("RMS ratio from, road Hz", *(f"{column[0].road_low_hz:.3g}" for column in columns))
    cells = zip(*[map(_band, column) for column in columns], strict=True)
    rows = [(word, *row) for word, row in zip(one.bands, cells, strict=True)]
    return [table(header, rows, gap=" ")]


def _band(band: BandRatio) -> str:
    if band.ratio is None or band.p_value is None:
        return "-"
    text = f"{band.ratio.value:.2f}"
    return text if band.p_value < SIGNIFICANT else f"({text})"


def _taps(one: AddOn) -> list[str]:
    rows = [
        (tap.name, span(tap.ratio), p_value(tap.p_value))
        for tap in one.taps
        if tap.ratio is not None and tap.p_value is not None
    ]
    if not rows:
        return []
    lost = [f"\n{tap.name}: {tap.why}" for tap in one.taps if tap.why]
    return [table(("RMS ratio at tap", "add-on / baseline", "p"), rows) + "".join(lost)]


def trade_text(comparison: Comparison) -> str:
    """What is felt of each configuration beside what it costs."""
    rows = [
        (
            one.name,
            "-" if one.felt is None else one.felt.text(between="…"),
            "-" if one.p_best is None else probability(one.p_best),
            number(None if one.drag_n is None else one.drag_n.value, ".0f"),
            number(None if one.rear_lift_n is None else one.rear_lift_n.value, "+.0f"),
            beaten_text(one),
        )
        for one in comparison.trade_offs
    ]
    header = ("felt and paid", "of limit", "P least", "drag, N", "rear lift, N", "beaten by")
    note = (
        "Of limit: what is felt over the lower limit of the criterion nearest to it. P least: "
        "probability that less is felt of it than of all others; the car's own uncertainty, which "
        "all share, cancels. A verdict is possible from a chance of 10 % to exceed that limit. "
        "Beaten by: no worse in any of the three, and better in one beyond doubt (Holm over all "
        f"pairs). {left_out_text(comparison.ranking)}"
    )
    return "\n\n".join([table(header, rows), paragraph(note.strip())])


def beaten_text(one: TradeOff) -> str:
    """Who beats a configuration in one word or a few."""
    if one.dominated_by is None:
        return "not known"
    return ", ".join(one.dominated_by) or "none"


def left_out_text(ranking: Ranking) -> str:
    """Criteria that do not count and configurations that are not ranked; empty where all are."""
    parts = [("Not counted", ranking.left_out), ("Not ranked", ranking.unranked)]
    told = [
        f"{head}: {'; '.join(f'{name}, {why}' for name, why in named.items())}."
        for head, named in parts
        if named
    ]
    return " ".join(told)


def probability(value: float) -> str:
    """Never a certainty: draws tell it to a hundredth."""
    if value < 0.01:
        return "< 0.01"
    return "> 0.99" if value > 0.99 else f"{value:.2f}"


def _lift_balance(one: AddOn) -> str:
    rows = [
        (
            f"{word.split()[0]} axle",
            span(axle.lift_n),
            span(axle.delta_n, sign=True),
            f"{_percent(axle.share, '.1f')} ({_percent(axle.delta_share, '+.1f')})",
        )
        for word in AXLES
        if (axle := one.lift_balance.get(word)) is not None
    ]
    return table(("lift", "N", "change, N", "% of weight"), rows)


def _percent(share: Interval | None, form: str) -> str:
    return number(None if share is None else 100 * share.value, form)


def _is_open(one: AddOn) -> bool:
    """Whether of any component no difference is shown."""
    return any(p >= SIGNIFICANT for p in one.p_value.values())


def _notes(comparison: Comparison) -> list[str]:
    if not comparison.add_ons:
        return []
    notes = []
    if not comparison.repeated:
        notes.append(
            "No operating point was run twice: the scatter from run to run is not known, and "
            "differences as small as it look real. Repeat runs would show it."
        )
    elif comparison.repeats < FEW_REPEATS:
        notes.append(
            f"The scatter from run to run is known from {comparison.repeats} repeated "
            f"run{'s' if comparison.repeats > 1 else ''} only, so small differences cannot be "
            "shown. More repeats would sharpen all of them."
        )
    if any(_is_open(one) for one in comparison.add_ons):
        notes.append(
            f"Equal within {comparison.equal_within:.0%}: a greater difference of RMS is ruled out "
            "(p < 0.05, corrected alike). Open: neither is shown; from the change named on, this "
            "campaign shows a difference in four of five cases, and with the number of runs named "
            f"at each operating point one of {comparison.equal_within:.0%}."
        )
    notes.append(
        "p-values are corrected for the number of add-ons (Holm), those of octaves for both; in "
        "brackets: no difference is shown. Fuel by rule of thumb at "
        f"constant speed ({comparison.fuel_elasticity:.2g} % for each % of drag), not for mixed "
        f"driving. Weight: of the axle at rest, of {comparison.rating.vehicle.name} "
        f"({comparison.rating.vehicle.source})."
    )
    model = RoadLoadModel.of(comparison.rating.vehicle)
    notes.append(road_load_text(model, comparison.speed_trace))
    return [paragraph(note) for note in notes]


def recommended(comparison: Comparison) -> str:
    """What to fit, and why."""
    chosen = comparison.recommendation
    title = chosen.configuration or "none"
    parts = [paragraph(f"Recommended: {title}. {_capital(chosen.why)}.")]
    if chosen.doubts:
        told = "; ".join(one.text for one in chosen.doubts)
        parts.append(
            paragraph(f"Doubtful: {told}. To settle it first: {chosen.doubts[0].settled_by}.")
        )
    return "\n\n".join(parts)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
