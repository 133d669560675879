"""Coherence of a run's quantities as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from math import degrees

from buffet.coherence.curves import Curves
from buffet.coherence.links import Link, Ranked
from buffet.coherence.part import Coherence
from buffet.interval import Interval
from buffet.phrases import listed
from buffet.spectral.coherence import CHANCE
from buffet.terminal import paragraph, span, table

# Rows told, and of one force; JSON has all.
MOST_ROWS, MOST_LINKS = 12, 3
# Share of the coherence that a delay takes from which it is told.
TOLD_LOSS = 0.05
HEADER = ("force", "follows", "share, %", "Hz", "coherence", "phase, °", "delay, ms")
MEANING = (
    "Share: part of the force's power, lines left out, that is coherent with the other; Hz: where "
    "most of that part is, with coherence and phase there. Phase and delay: of the force against "
    "the other, a delay positive where the force comes later, its sign left aside. Coherence is "
    "not cause: both may follow a third."
)


def text(found: Coherence) -> str:
    """Rankings, then the pairs asked for."""
    parts = [*_rankings(found), *(_pair(one) for one in found.pairs)]
    parts += [f"{first} with {second}: not in this run." for first, second in found.not_here]
    if found.holds_more:
        parts.append(paragraph(f"Coherence holds {listed(found.holds_more)}."))
    return "\n".join(parts)


def _rankings(found: Coherence) -> list[str]:
    if not found.ranked:
        return []
    first = found.ranked[0]
    what = "which tap each force follows" if first.against_taps else "forces with one another"
    several = {f"{ranked.threshold:.2f}" for ranked in found.ranked}
    head = (
        f"Coherence, {what}; {found.averages:.0f} averages; told where it exceeds "
        f"{'…'.join(sorted(several)[:: max(len(several) - 1, 1)])} somewhere, which chance does in "
        f"{CHANCE:.0%} of cases over all bins and {'taps' if first.against_taps else 'pairs'}:"
    )
    each = _told_of_each(found)
    rows = [_row(one, link) for one in found.ranked for link in one.beyond_chance[:each]]
    parts = [paragraph(head)]
    if rows:
        parts.append(table(HEADER, rows, gap=" "))
    parts += _left_out(found)
    return [*parts, paragraph(MEANING)] if rows else parts


def _told_of_each(found: Coherence) -> int:
    """Links a force, so that the rows stay few."""
    return min(MOST_LINKS, max(MOST_ROWS // len(found.ranked), 1))


def _row(ranked: Ranked, link: Link) -> tuple[str, ...]:
    late = link.delay.delay_s
    return (
        ranked.force,
        link.name,
        span(link.share, factor=100),
        f"{link.frequency_hz:.3g}",
        span(link.coherence),
        "any" if link.phase_rad is None else _degrees(link.phase_rad),
        "-" if late is None else late.scaled(1e3).plus_minus(),
    )


def _degrees(phase_rad: Interval) -> str:
    return phase_rad.scaled(degrees(1)).plus_minus()


def _left_out(found: Coherence) -> list[str]:
    """Forces that nothing was found for, and links beyond the first few."""
    quiet = [one.force for one in found.ranked if not one.beyond_chance]
    more = sum(max(len(one.beyond_chance) - _told_of_each(found), 0) for one in found.ranked)
    told = [f"Nothing beyond chance: {listed(quiet)}."] if quiet else []
    told += [f"{more} more with smaller shares."] if more else []
    return [paragraph(" ".join(told))] if told else []


def _pair(pair: Curves) -> str:
    """One pair in a paragraph; its curves are in the picture and in JSON."""
    strongest = int(pair.coherence.argmax())
    n_above = int((pair.coherence > pair.threshold).sum())
    n_bins = len(pair.coherence)
    limits = Interval(
        float(pair.coherence[strongest]),
        float(pair.coherence_low[strongest]),
        float(pair.coherence_high[strongest]),
    )
    sentences = [
        f"{pair.second.name} against {pair.first.name}: {span(pair.share, factor=100)} % of its "
        f"power is coherent; largest coherence {span(limits)} at "
        f"{pair.frequency_hz[strongest]:.3g} Hz; above the threshold {pair.threshold:.2f} in "
        f"{n_above} of {n_bins} bins ({CHANCE:.0%} by chance); {_delay(pair)}"
    ]
    if pair.share_channels:
        sentences.append("Both rest on one channel: they are coherent by construction")
    return paragraph(". ".join(sentences) + ".")


def _delay(pair: Curves) -> str:
    late = pair.delay.delay_s
    if late is None:
        return f"no delay: {pair.delay.why}"
    sign = ", opposite in sign" if pair.delay.is_opposite else ""
    told = f"delay {late.scaled(1e3).plus_minus()} ms{sign}"
    lost = 1 - pair.delay.coherence_kept
    return f"{told}, which takes {lost:.0%} of the coherence" if lost > TOLD_LOSS else told
