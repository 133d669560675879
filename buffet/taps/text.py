"""What the taps of a run show together, as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buffet.phrases import from_to, listed, with_unit
from buffet.spectral.pod import ModeAtFrequency
from buffet.taps.coefficients import TapValues
from buffet.taps.convection import BareRow, RowConvection, Travel
from buffet.taps.modes import TapModes
from buffet.taps.part import RunTaps
from buffet.terminal import number, paragraph, span, table

MOST_TAPS = 12  # told; --json has all
TOLD_MODES = 4
TOLD_TAPS = 6  # of a spectral mode, the strongest


def text(taps: RunTaps) -> str:
    """Coefficients, modes in space, modes at the strongest peaks, rows."""
    parts = [_values(taps)]
    if taps.dead:
        parts.append(paragraph(f"Left out, never changed: {listed(taps.dead)}."))
    if taps.modes is None:
        parts.append(paragraph(f"Modes: none, {taps.modes_why}."))
    else:
        parts += _modes(taps.modes)
    parts += [paragraph(_row(row)) for row in taps.rows]
    if taps.holds_lines:
        parts.append("Modes and rows hold the lines.")
    if taps.observed_hold:
        parts.append(paragraph(f"The values observed hold {listed(taps.observed_hold)}."))
    return "\n\n".join(parts)


def _values(taps: RunTaps) -> str:
    loudest = sorted(taps.values, key=lambda one: -(one.rms.value if one.rms else 0.0))
    shown = {id(one) for one in loudest[:MOST_TAPS]}
    rows = [_value_row(one) for one in taps.values if id(one) in shown]
    reach = [one.peaks_to_hz for one in taps.values if one.peaks_to_hz is not None]
    head = f"Taps: {len(taps.values)}, pressure as a coefficient where its unit is not given."
    if reach:
        head += (
            f" Largest and smallest value observed over {taps.duration_s:.3g} s, of frequencies "
            f"up to {from_to(reach, '.3g')} Hz."
        )
    if len(taps.values) > MOST_TAPS:
        head += f" The {MOST_TAPS} with the largest RMS; --json has all."
    header = ("tap", "mean", "RMS", "largest", "smallest", "row")
    return f"{paragraph(head)}\n{table(header, rows)}"


def _value_row(one: TapValues) -> tuple[str, ...]:
    return (
        with_unit(one.name, one.unit),
        one.mean.plus_minus(),
        span(one.rms),
        number(one.largest, ".3f" if one.unit == "1" else ".4g"),
        number(one.smallest, ".3f" if one.unit == "1" else ".4g"),
        one.row or "-",
    )


def _modes(modes: TapModes) -> Iterator[str]:
    """Shares in space, in octaves, and the leading mode at the strongest peaks."""
    noise = "wind-off noise removed" if modes.noise_removed else "noise not removed"
    head = (
        f"Proper orthogonal decomposition up to {modes.to_hz:.3g} Hz, all taps counting alike, "
        f"{noise}. Share of the taps' variance by mode:"
    )
    told = min(TOLD_MODES, len(modes.shares))
    shares = ", ".join(
        f"{k + 1}: {span(modes.shares[k])} at {modes.space.frequency_hz[k]:.3g} Hz"
        for k in range(told)
    )
    yield paragraph(f"{head} {shares}.{_mixed(modes, told)}")
    if modes.bands:
        first = [f"{band.shares[0]:.2f}" for band in modes.bands]
        second = [f"{band.shares[1]:.2f}" for band in modes.bands]
        chance = [f"{band.chance:.2f}" for band in modes.bands]
        edges = [f"{band.low_hz:.3g}" for band in modes.bands]
        rows = [("mode 1", *first), ("mode 2", *second), ("unrelated taps", *chance)]
        yield "Share at each frequency (spectral), by octave.\n" + table(("from, Hz", *edges), rows)
    if told_peaks := [_peak(modes, peak) for peak in modes.peaks]:
        yield "\n".join(map(paragraph, told_peaks))


def _mixed(modes: TapModes, told: int) -> str:
    """Modes whose variances are too near to one another."""
    near = [k for k in range(told - 1) if not modes.space.apart[k]]
    if not near:
        return ""
    pairs = listed([f"{k + 1} and {k + 2}" for k in near])
    return f" Modes {pairs}: as strong as one another, so that chance mixes their shapes."


def _peak(modes: TapModes, peak: ModeAtFrequency) -> str:
    size = np.abs(peak.shape)
    strongest = np.argsort(-size)[:TOLD_TAPS]
    shape = ", ".join(
        f"{modes.names[i]} {size[i]:.2f}"
        + ("" if k == 0 else f" {np.degrees(np.angle(peak.shape[i])):+z.0f}°")
        for k, i in enumerate(strongest)
    )
    more = " (strongest taps)" if len(size) > TOLD_TAPS else ""
    unclear = "" if peak.share > peak.chance else ", no more than unrelated taps show"
    return (
        f"Mode at {peak.frequency_hz:.3g} Hz: {peak.share:.2f} of the taps' power there "
        f"(unrelated taps: up to {peak.chance:.2f}){unclear}. Amplitude and lead in phase{more}: "
        f"{shape}."
    )


def _row(row: RowConvection | BareRow) -> str:
    if isinstance(row, BareRow):
        return f"Row {row.name}: no convection speed, {row.why}."
    low, high = row.band_hz
    head = (
        f"Row {row.name}, {len(row.taps)} taps over {row.places_m[-1]:.3g} m, {low:.3g} to "
        f"{high:.3g} Hz, coherence of neighbours {row.coherence:.2f} (chance "
        f"{row.chance:.2f}): "
    )
    text = f"{head}{_travel(row.travel, 'convection speed', row.direction)}."
    if row.misfits and row.travel.misfit is not None:
        text += (
            f" One speed does not explain all phases (deviance {row.travel.misfit:.2g} for 1), "
            "which the interval allows for."
        )
    if row.at_peak is not None:
        told = _travel(row.at_peak, "phase speed", row.direction)
        text += f" At the peak of {row.peak_hz:.3g} Hz: {told}."
    return text


def _travel(travel: Travel, what: str, direction: str) -> str:
    if travel.speed_m_s is None or travel.over_wind is None:
        delay = ""
        if travel.delay_s is not None:
            delay = f" ({span(travel.delay_s, factor=1e3)} ms from end to end)"
        return f"no {what}, {travel.why}{delay}"
    against = " against that" if travel.speed_m_s.value < 0 else ""
    return (
        f"{what} {span(travel.speed_m_s)} m/s, {span(travel.over_wind)} of the wind speed, "
        f"{direction}{against}"
    )
