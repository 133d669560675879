"""Coherence of a run's quantities as JSON."""

from __future__ import annotations

from buffet.coherence.curves import Curves
from buffet.coherence.links import Link, Ranked
from buffet.coherence.part import Coherence
from buffet.json_values import Document, interval, number
from buffet.spectral.coherence import CHANCE
from buffet.spectral.delay import Delay

EVERY_PHASE = "every phase is possible"


def document(found: Coherence) -> Document:
    """All rankings in full, curves of the pairs asked for."""
    return {
        "averages": number(found.averages),
        "ranked": [_ranked(one) for one in found.ranked],
        "pairs": [_pair(one) for one in found.pairs],
        "holds_more": list(found.holds_more),
        "pairs_not_in_this_run": [list(pair) for pair in found.not_here],
    }


def _ranked(one: Ranked) -> Document:
    return {
        "force": one.force,
        "against": "taps" if one.against_taps else "forces",
        "band_hz": list(one.band_hz),
        "bins": one.n_bins,
        "threshold": number(one.threshold),
        "threshold_exceeded_by_chance": CHANCE,
        "links": [_link(link) for link in one.links],
    }


def _link(link: Link) -> Document:
    return {
        "name": link.name,
        "share": interval(link.share),
        "beyond_chance": link.beyond_chance,
        "p_value": number(link.p_value),
        "largest_coherence": number(link.largest_coherence),
        "largest_coherence_at_hz": number(link.largest_at_hz),
        "frequency_hz": number(link.frequency_hz),
        "coherence": interval(link.coherence),
        "phase_rad": interval(link.phase_rad),
        "phase_why": EVERY_PHASE if link.phase_rad is None else None,
        **_delay(link.delay),
    }


def _delay(delay: Delay) -> Document:
    return {
        "delay_s": interval(delay.delay_s),
        "delay_why": delay.why,
        "delay_opposite": None if delay.delay_s is None else delay.is_opposite,
        "delay_bins": delay.n_bins,
        "delay_p_value": number(delay.p_value),
        "delay_keeps_of_coherence": None if delay.delay_s is None else number(delay.coherence_kept),
    }


def _pair(pair: Curves) -> Document:
    response = pair.response
    return {
        "first": pair.first.name,
        "second": pair.second.name,
        "gain_unit": f"{pair.second.unit}/{pair.first.unit}",
        "share_channels": pair.share_channels,
        "share": interval(pair.share),
        "threshold": number(pair.threshold),
        "threshold_exceeded_by_chance": CHANCE,
        "frequency_hz": pair.frequency_hz.tolist(),
        "coherence": pair.coherence.tolist(),
        "coherence_unbiased": pair.unbiased.tolist(),
        "coherence_low": pair.coherence_low.tolist(),
        "coherence_high": pair.coherence_high.tolist(),
        "phase_rad": response.phase_rad.tolist(),
        "phase_half_rad": [number(half) for half in response.phase_half_rad.tolist()],
        "phase_half_why": f"null: {EVERY_PHASE}",
        "gain": response.gain.tolist(),
        "gain_low": response.gain_low.tolist(),
        "gain_high": response.gain_high.tolist(),
        **_delay(pair.delay),
    }
