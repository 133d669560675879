"""What is said of a record's length on a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Iterator

from buffet.length.needed import Needed
from buffet.length.part import Length, QuantityLength
from buffet.phrases import by_reason, listed
from buffet.terminal import number, paragraph, table

# From here on three digits would be written with a power of ten.
THOUSAND = 1000.0
HEADER = ("quantity", "T_I, s", "samples", "RMS ±", "needs, s", "mean ±", "needs, s", "record")


def text(found: Length) -> str:
    """One line a quantity, the Strouhal number's frequency, and what makes the figures false."""
    within = f"±{found.within:.3g}" if found.within >= 1 else f"±{100 * found.within:.3g} %"
    rows = [_row(found, one) for one in found.quantities]
    parts = [
        paragraph(
            f"Record length for {within} (95 %); {found.record_s:.4g} s were recorded. T_I: "
            "integral time scale; samples: independent ones for a mean, T / 2 T_I. RMS ± in "
            "percent of itself, mean ± in percent of the RMS."
        ),
        table(HEADER, rows, gap=" "),
        *map(paragraph, _remarks(found)),
    ]
    return "\n".join(parts)


def _row(found: Length, one: QuantityLength) -> tuple[str, ...]:
    steady = f"{' and '.join(one.drifts)} drifts" if one.drifts else ""
    if not steady:
        steady = "slow changes" if one.is_slow else "stationary" if found.trends_told else "-"
    return (
        one.quantity.name,
        number(one.time_scale_s, ".2g"),
        number(one.independent, ".0f"),
        *_cells(one.rms),
        *_cells(one.mean),
        steady,
    )


def _cells(needed: Needed | None) -> tuple[str, str]:
    if needed is None:
        return "-", "-"
    form = ".3g" if needed.record_s < THOUSAND else ".0f"
    length = "reached" if needed.is_reached else format(needed.record_s, form)
    return f"{100 * needed.half_width:.2g} %", length


def _remarks(found: Length) -> Iterator[str]:
    if found.strouhal is None:
        yield f"Frequency of the Strouhal number: {found.strouhal_why}."
    else:
        half, length = _cells(found.strouhal)
        told = length if found.strouhal.is_reached else f"needs {length} s"
        yield f"Frequency of the Strouhal number: ±{half}, {told}."
    lacking = (
        (f"{what}: {why}", one.quantity.name)
        for one in found.quantities
        for what, why in (("RMS", one.rms_why), ("mean", one.mean_why))
        if why is not None
    )
    for why, names in by_reason(lacking).items():
        yield f"No length is told for {listed(names)}, {why}."
    if not found.trends_told:
        yield "The record has too few segments to look for trends."
    state = "or drifts, needs more" if found.is_steady else "or drifts, as here, needs more"
    yield f"Widths are taken to fall with 1/√T: a wake that changes its state, {state}."
