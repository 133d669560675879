"""What `spectra` says of runs, as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Sequence

from buffet.blockage import blockage_text
from buffet.interval import Interval
from buffet.phrases import with_unit
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import QuantityResult, RunResult
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.resolution import MARKED_SEGMENTS
from buffet.spectral.search import SMALLEST_P
from buffet.terminal import UNRELIABLE, number, p_value, paragraph, span, table

# Share of a variance from which "most of it" is said.
MOSTLY = 0.5


def spectra_text(results: Sequence[RunResult], more: Sequence[Sequence[str]] = ()) -> str:
    """Each run's quantities and peaks, `more` after each, and once what the classes mean."""
    each = more or [()] * len(results)
    runs = [
        "\n\n".join([_run_text(result), *own]) for result, own in zip(results, each, strict=True)
    ]
    kinds = {kind.name for one in results for q in one.quantities for _, kind in q.followed}
    return "\n\n".join(runs if kinds <= {"undecided"} else [*runs, paragraph(CLASSES_MEAN)])


def run_name(result: RunResult) -> str:
    """Number, configuration and wind speed."""
    analysis = result.analysis
    wind = f", {analysis.flow.speed_m_s:.1f} m/s" if analysis.flow else ""
    name = f", {analysis.run.configuration}" if analysis.run.configuration else ""
    return f"run {analysis.run.number}{name}{wind}"


def _run_text(result: RunResult) -> str:
    analysis = result.analysis
    head = (
        f"{run_name(result)}: {analysis.spectra.duration_s:.4g} s at "
        f"{analysis.sample_rate_hz:.5g} Hz, {analysis.n_segments} segments of "
        f"{analysis.segment_s:.3g} s, {analysis.degrees_of_freedom:.0f} degrees of freedom"
    )
    if analysis.n_segments < MARKED_SEGMENTS:
        head += f" (fewer than {MARKED_SEGMENTS} segments: their scatter is poorly known)"
    shed = "none" if result.strouhal is None else span(result.strouhal)
    rows = [_quantity_row(q) for q in result.quantities]
    header = ("quantity", "mean", "RMS", "noise", "to Hz")
    peaks = [row for q in result.quantities for row in _peak_rows(q, result.strouhal_per_hz)]
    blockage = blockage_text(analysis.flow.blockage) if analysis.flow else ""
    parts = [
        paragraph(head),
        *([paragraph(f"Blockage {blockage}.")] if blockage else []),
        *([paragraph(told)] if (told := _lines_out(analysis)) else []),
        paragraph(f"Strouhal number: {shed}; {result.strouhal_why}."),
        table(header, rows),
    ]
    if not all(q.reliable for q in result.quantities):
        parts.append(UNRELIABLE)
    if slow := [q.quantity.name for q in result.quantities if q.unresolved_share > MOSTLY]:
        parts.append(
            paragraph(
                f"Most of the fluctuation of {', '.join(slow)} lies below "
                f"{FIRST_BIN / analysis.segment_s:.3g} Hz, which segments of "
                f"{analysis.segment_s:.3g} s do not resolve: try a finer --resolution."
            )
        )
    if any(q.tunnel for q in result.quantities):
        parts.append(_tunnel_table(result))
    if tubing := _tubing(result.quantities):
        parts.append(paragraph(tubing))
    if inertia := _inertia(result.quantities):
        parts.append(paragraph(inertia))
    if result.quantities and result.quantities[0].bands:
        parts += _band_tables(result.quantities)
    if peaks:
        columns = ("peak of", "Hz", "St", "width Hz", "RMS", "p", "kind", "class")
        parts.append(table(columns, peaks, gap=" "))
        parts += map(paragraph, _about_classes(result))
    return "\n\n".join(parts)


def _lines_out(analysis: RunAnalysis) -> str:
    """At which frequencies lines are not in what follows; empty where none were taken out."""
    if analysis.with_lines is None:
        return ""
    each = ", ".join(f"{line.frequency_hz.value:.4g}" for line in analysis.lines)
    return f"Lines are taken out, at {each} Hz."


def _tunnel_table(result: RunResult) -> str:
    """What follows the reference probes."""
    rows = [
        (
            q.quantity.name,
            span(q.tunnel.share),
            *(
                number(rms.value if rms else None, ".2g")
                for rms in (q.tunnel.rms, q.tunnel.rms_without, q.tunnel.rms_as_read)
            ),
        )
        for q in result.quantities
        if q.tunnel is not None
    ]
    is_out = result.analysis.as_read is not None
    head = "What follows the reference probe" + (", taken out above." if is_out else ".")
    header = ("quantity", "share of variance", "its RMS", "RMS without", "RMS with")
    return f"{paragraph(head)}\n{table(header, rows)}"


def _tubing(results: Sequence[QuantityResult]) -> str:
    """Which taps are corrected for their tubing, how far and how much."""
    told = [
        f"{r.quantity.name} to {done.to_hz:.3g} Hz (amplified by up to "
        f"{done.largest_amplification:.3g})"
        for r in results
        if (done := r.tubing) is not None
    ]
    return f"Tubing is corrected: {', '.join(told)}." if told else ""


def _inertia(results: Sequence[QuantityResult]) -> str:
    """Which quantities had their inertial part removed, and how large it was."""
    told = [
        f"{r.quantity.name} {r.inertial_share:.2g}" for r in results if r.inertial_share is not None
    ]
    if not told:
        return ""
    return (
        "The model's inertia is removed by its accelerometers. Its variance over that of the "
        f"balance's reading: {', '.join(told)}."
    )


def _quantity_row(result: QuantityResult) -> tuple[str, ...]:
    return (
        with_unit(result.quantity.name, result.quantity.unit),
        result.mean.plus_minus(),
        span(result.rms) + ("" if result.reliable else " *"),
        number(result.noise_rms, ".2g"),
        number(result.usable_to_hz, ".3g"),
    )


def _band_tables(results: Sequence[QuantityResult]) -> list[str]:
    """RMS in octaves, and over the noise where that is known; other outputs hold the intervals."""
    first = results[0].bands
    road = "road " if first[0].road_low_hz is not None else ""
    edges = [f"{b.low_hz if b.road_low_hz is None else b.road_low_hz:.4g}" for b in first]
    rms = [
        (r.quantity.name, *(number(b.rms.value if b.rms else None, ".2g") for b in r.bands))
        for r in results
    ]
    tables = [table((f"RMS from, {road}Hz", *edges), rms)]
    levels = [(r.quantity.name, [b.noise.decibels for b in r.bands]) for r in results]
    if any(level for _, own in levels for level in own):
        rows = [
            (name, *(number(v.value if v else None, "z.0f") for v in own)) for name, own in levels
        ]
        tables.append(table((f"dB over noise, {road}Hz", *edges), rows))
    return tables


def _peak_rows(result: QuantityResult, per_hz: float | None) -> list[tuple[str, ...]]:
    return [
        (
            result.quantity.name,
            span(peak.frequency_hz),
            "-" if per_hz is None else f"{peak.frequency_hz.value * per_hz:.3f}",
            _width(peak.bandwidth_hz),
            number(peak.rms.value, ".2g"),
            f"≤{SMALLEST_P:.3f}" if peak.p_value <= SMALLEST_P else p_value(peak.p_value),
            peak.kind,
            _SHORT_CLASS[kind.name],
        )
        for peak, kind in result.followed
    ]


CLASSES_MEAN = (
    "Class over the wind speeds: scales with them (the wake if broad; fan, belt or wheel if a "
    "line), fixed in frequency (rig or mains), or - where undecided."
)
_SHORT_CLASS = {"scales with speed": "scales", "fixed frequency": "fixed", "undecided": "-"}


def _about_classes(result: RunResult) -> list[str]:
    """What the lines' frequencies match, and why nothing could be classed where nothing was."""
    followed = [pair for quantity in result.quantities for pair in quantity.followed]
    named = dict.fromkeys(str(kind.source) for _, kind in followed if kind.source)
    notes = [f"Lines at the rate of: {', '.join(named)}."] if named else []
    if len(reasons := {kind.why.split(";")[0] for _, kind in followed}) == 1:
        notes.append(f"Class: {reasons.pop()}.")
    return notes


def _width(bandwidth_hz: Interval) -> str:
    """A line's bandwidth is known only from above."""
    value = bandwidth_hz.value
    return f"{value:.2g}" if value > 0 else f"<{number(bandwidth_hz.high, '.2g')}"
