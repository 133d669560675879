"""The page of one run: signals over time, spectra with their peaks, findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from buffet.interval import Interval
from buffet.phrases import with_unit
from buffet.report.wording import NONE, p_value, significant, spanned
from buffet.service.pages.board_view import interval_of
from buffet.service.pages.chart import Chart, Curve, Peak, Table
from buffet.service.pages.entries import CampaignEntry, RunEntry
from buffet.service.pages.frame import Frame, Pager, render
from ingest import SEVERITIES

Document = Mapping[str, Any]

CHANNELS_A_PAGE = 8
POINTS = 400  # of a spectrum on the page: bins are averaged where there are more of them
LEVEL = 0.95


@dataclass(frozen=True)
class RunData:
    """A run and what is known of it; each part comes with the reason where it is missing."""

    campaign: CampaignEntry
    run: RunEntry
    signals: Document | None  # buffet/signals
    signals_why: str | None
    spectra: Document | None  # the run's entry of buffet/spectra
    spectra_why: str | None
    first: int = 0  # channel that the page begins with
    is_stale: bool = False  # what is shown is of an earlier state of the campaign


@dataclass(frozen=True)
class PeakRow:
    """One peak of one quantity."""

    quantity: str
    frequency: str
    strouhal: str
    bandwidth: str
    rms: str
    p: str
    kind: str
    follows: str


def run_page(frame: Frame, data: RunData) -> str:
    """Signals as envelopes, spectra with limits and peaks, and what the checks found."""
    channels = [] if data.signals is None else data.signals["channels"]
    quantities = [] if data.spectra is None else data.spectra["channels"]
    part = slice(data.first, data.first + CHANNELS_A_PAGE)
    n = max(len(channels), len(quantities))
    values = {
        "data": data,
        "campaign": data.campaign,
        "run": data.run,
        "facts": _facts(data),
        "signals": [_signal(one, data.signals or {}, i) for i, one in enumerate(channels[part])],
        "extremes": _extremes(channels),
        "spectra": [_spectrum(one, i) for i, one in enumerate(quantities[part])],
        "peaks": [_peak(one, peak) for one in quantities for peak in one["peaks"]],
        "levels": _levels(quantities),
        "findings": _findings(data.spectra),
        "pager": _pager(data, n),
        "severities": SEVERITIES,
    }
    return render("run", frame, values)


def _facts(data: RunData) -> list[tuple[str, str]]:
    """What the run is, in short."""
    told = [("Configuration", data.run.configuration or "none: wind-off")]
    spectra = data.spectra
    if spectra is None:
        return told
    if spectra["speed_m_s"] is not None:
        told.append(("Wind", f"{significant(spectra['speed_m_s'])} m/s"))
    strouhal = interval_of(spectra["strouhal"])
    shed = spanned(strouhal, ".3f") if strouhal else f"{NONE}, {spectra['strouhal_why']}"
    return [
        *told,
        ("Record", f"{significant(spectra['duration_s'])} s"),
        ("Sampling", f"{significant(spectra['sample_rate_hz'])} Hz"),
        ("Resolution", f"{significant(1 / spectra['segment_s'])} Hz"),
        ("Strouhal number", shed),
    ]


def _signal(channel: Document, signals: Document, i: int) -> Chart:
    name, time_s = channel["name"], signals["time_s"]
    nothing = [None] * len(time_s)
    curve = Curve(name, 0, nothing, channel["low"], channel["high"])
    return Chart(
        f"signal-{i}",
        f"{name} over time",
        f"Least and largest value of each {significant(signals['stretch_s'], 2)} s of {name}; the "
        "table below the charts gives the extremes of the whole record.",
        "Time, s",
        with_unit(name, channel["unit"]),
        time_s,
        (curve,),
    )


def _extremes(channels: Sequence[Document]) -> Table | None:
    if not channels:
        return None
    rows = tuple(
        (one["name"], one["unit"], _extreme(min, one["low"]), _extreme(max, one["high"]))
        for one in channels
    )
    return Table(("Channel", "Unit", "Least", "Largest"), rows)


def _extreme(which: Any, values: Sequence[float | None]) -> str:
    known = [value for value in values if value is not None]
    return significant(which(known)) if known else NONE


def _spectrum(quantity: Document, i: int) -> Chart:
    frequency, psd = _thinned(quantity["frequency_hz"], quantity["psd"])
    low, high = (
        [value * quantity[f"psd_{end}_factor"] if value > 0 else None for value in psd]
        for end in ("low", "high")
    )
    name = quantity["name"]
    per = f"({quantity['unit']})²/Hz" if quantity["unit"] != "1" else "1/Hz"
    peaks = [(peak, interval_of(peak["frequency_hz"])) for peak in quantity["peaks"]]
    told = ", ".join(f"{spanned(f)} Hz ({peak['class']})" for peak, f in peaks) or "none"
    return Chart(
        f"spectrum-{i}",
        f"Spectrum of {name}",
        f"One-sided power spectral density with 95 % limits. Peaks: {told}.",
        "Frequency, Hz",
        f"PSD of {name}, {per}",
        frequency,
        (Curve(name, 0, [value if value > 0 else None for value in psd], low, high),),
        peaks=tuple(sorted(Peak(f.value, f"{significant(f.value)} Hz") for _, f in peaks if f)),
        x_log=True,
        y_log=True,
    )


def _thinned(
    frequency_hz: Sequence[float], psd: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Without the bin at zero; means over stretches of equal ratio where there are many bins."""
    x, y = np.array(frequency_hz[1:], float), np.array(psd[1:], float)
    if len(x) <= POINTS:
        return x.tolist(), y.tolist()
    edges = np.geomspace(x[0], x[-1] * (1 + 1e-9), POINTS + 1)
    starts = np.unique(np.searchsorted(x, edges[:-1]))
    count = np.diff(np.append(starts, len(x)))
    means = (np.add.reduceat(values, starts) / count for values in (x, y))
    thinned_x, thinned_y = means
    return thinned_x.tolist(), thinned_y.tolist()


def _peak(quantity: Document, peak: Document) -> PeakRow:
    return PeakRow(
        quantity["name"],
        spanned(interval_of(peak["frequency_hz"])),
        spanned(interval_of(peak["strouhal"]), ".3f"),
        spanned(interval_of(peak["bandwidth_hz"])),
        _plain(interval_of(peak["rms"])),
        p_value(peak["p_value"]),
        peak["kind"],
        peak["class"] + (f": {peak['source']}" if peak["source"] else ""),
    )


def _plain(value: Interval | None) -> str:
    return NONE if value is None else value.text()


def _levels(quantities: Sequence[Document]) -> Table | None:
    """Mean and RMS of every quantity."""
    if not quantities:
        return None
    rows = tuple(
        (
            one["name"],
            one["unit"],
            _plain(interval_of(one["mean"])),
            _plain(interval_of(one["rms"])),
        )
        for one in quantities
    )
    return Table(("Quantity", "Unit", "Mean", "RMS"), rows)


def _findings(spectra: Document | None) -> list[Document]:
    """The gravest first."""
    found = [] if spectra is None else spectra["findings"]
    return sorted(found, key=lambda one: SEVERITIES.index(one["severity"]))


def _pager(data: RunData, n: int) -> Pager | None:
    """Through the channels of a run that has many."""
    if n <= CHANNELS_A_PAGE:
        return None
    first, last = data.first, min(data.first + CHANNELS_A_PAGE, n)
    before = f"?first={max(first - CHANNELS_A_PAGE, 0)}" if first else None
    return Pager(
        f"{first + 1} to {last} of {n} channels", before, f"?first={last}" if last < n else None
    )
