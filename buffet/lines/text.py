"""The lines of a run as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from buffet.lines.part import LineInQuantity, QuantityRest, RunLine, RunLines
from buffet.spectral.lines import SIGNIFICANCE
from buffet.spectral.multitaper import TAPERS
from buffet.terminal import number, p_value, paragraph, span, table

# A line of less of a quantity's variance (0.5 % of the RMS) is not told of it.
TOLD_SHARE = 0.01
MOST_QUANTITIES = 2  # told of a line; the largest shares
MOST_ROWS = 6  # told with and without lines; the largest shares


def text(found: RunLines) -> str:
    """What there is, what explains it, and the RMS without it."""
    stretches = found.tapers.n_stretches
    stretch = f"{'stretches' if stretches > 1 else 'stretch'} of {found.tapers.stretch_s:.3g} s"
    head = (
        f"Lines: {len(found.lines) or 'none'}, by an F-test with {TAPERS} tapers on {stretches} "
        f"{stretch}; a run without lines would show one in fewer than {SIGNIFICANCE:.0%} of cases."
    )
    if not found.lines:
        return paragraph(head)
    rows = [_row(one) for one in found.lines]
    parts = [paragraph(head), table(("Hz", "matches", "p", "share of variance"), rows, gap=" ")]
    told = [one for one in found.rest if _share(one.all_lines) >= TOLD_SHARE]
    if told:
        out = "are taken out above" if found.taken_out else "would be with --without-lines"
        parts.append(paragraph(f"RMS with all lines and without them, as they {out}:"))
        header = ("quantity", "share of variance", "with", "without")
        most = sorted(told, key=lambda one: _share(one.all_lines), reverse=True)[:MOST_ROWS]
        parts.append(table(header, [_rest_row(one) for one in most]))
        if len(told) > len(most):
            parts.append(f"and {len(told) - len(most)} more with smaller shares")
    elif found.taken_out:
        parts.append("They are taken out above.")
    return "\n".join(parts)


def _row(one: RunLine) -> tuple[str, ...]:
    source = "nothing stated" if one.source is None else str(one.source)
    return one.line.frequency_hz.plus_minus(), source, p_value(one.line.p_value), _shares(one)


def _shares(one: RunLine) -> str:
    """The quantities that hold most of it."""
    most = sorted(one.quantities, key=_share, reverse=True)
    told = [
        f"{part.quantity} {_share(part):.0%}"
        for part in most[:MOST_QUANTITIES]
        if _share(part) >= TOLD_SHARE
    ]
    return ", ".join(told) or f"below {TOLD_SHARE:.0%}"


def _share(part: LineInQuantity) -> float:
    return 0.0 if part.share is None else part.share.value


def _rest_row(one: QuantityRest) -> tuple[str, ...]:
    with_them, without = (
        number(rms.value if rms else None, ".3g") for rms in (one.rms_with, one.rms_without)
    )
    return one.all_lines.quantity, span(one.all_lines.share), with_them, without
