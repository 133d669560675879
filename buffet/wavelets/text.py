"""Energy over time as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from buffet.phrases import by_reason, listed
from buffet.terminal import KM_H, number, p_value, paragraph, table
from buffet.wavelets.part import SIGNIFICANCE, QuantityEnergy, RunWavelets

MOST_ROWS = 6  # the most significant bursts first
HEADER = ("quantity", "band, Hz", "intermittency", "p", "loud (noise)", "loudest, s", "quietest, s")


def text(found: RunWavelets) -> str:
    """What was looked at, the figures of each quantity, and what they say."""
    head = (
        "Wavelets: energy over time in the band of each quantity's strongest broad peak, or of the "
        "fundamental. Intermittency 1: as steady noise of the same spectrum; 3: as noise that is "
        "there for a third of the time. Loud: share of the time above the 95 % level of red noise "
        "(in brackets: of steady noise), with the longest spells above and below."
    )
    shown = found.quantities[:MOST_ROWS]
    parts = [paragraph(head), table(HEADER, [_row(one) for one in shown], gap=" ")]
    if len(found.quantities) > len(shown):
        parts.append(f"and {len(found.quantities) - len(shown)} more, with larger p")
    parts.append(paragraph(_said(found)))
    if found.holds_more:
        parts.append(paragraph(f"Energy over time holds {listed(found.holds_more)}."))
    if found.missing:
        parts.append(paragraph(_missing(found)))
    return "\n".join(parts)


def _row(one: QuantityEnergy) -> tuple[str, ...]:
    energy, band = one.energy, one.band
    loud = "-"
    if energy.share_above is not None:
        loud = f"{energy.share_above:.0%} ({energy.steady.share_above:.0%})"
    return (
        one.quantity,
        f"{band.low_hz:.3g}–{band.high_hz:.3g}",
        f"{energy.intermittency:.2f}",
        p_value(one.p_value),
        loud,
        number(energy.longest_above_s, ".2g"),
        number(energy.longest_below_s, ".2g"),
    )


def _said(found: RunWavelets) -> str:
    """What bursts, and what a second is elsewhere."""
    bursts = [one for one in found.quantities if one.p_value < SIGNIFICANCE]
    if bursts:
        first = bursts[0]
        names = [one.quantity for one in bursts[:MOST_ROWS]]
        if len(bursts) > MOST_ROWS:
            names.append(f"{len(bursts) - MOST_ROWS} more")
        said = (
            f"In bursts: {listed(names)}. {first.quantity} is as unsteady as noise that is there "
            f"for {first.energy.active_share:.0%} of the time."
        )
    else:
        said = "Nothing comes more in bursts than steady noise would (p by Holm over all rows)."
    elsewhere = []
    if found.lengths_per_s is not None:
        elsewhere.append(f"{found.lengths_per_s:.3g} L/U")
    if found.road_per_s is not None and found.road_speed_m_s is not None:
        speed = found.road_speed_m_s * KM_H
        elsewhere.append(f"{found.road_per_s:.3g} s on the road at {speed:.0f} km/h")
    return f"{said} One second here is {' and '.join(elsewhere)}." if elsewhere else said


def _missing(found: RunWavelets) -> str:
    """Quantities without a band, by reason."""
    reasons = by_reason((why, quantity) for quantity, why in found.missing)
    told = "; ".join(f"{', '.join(names)}: {why}" for why, names in reasons.items())
    return f"Not looked at: {told}."
