"""The JSON documents that other people's scripts rely on."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any

from buffet.analysis import CampaignAnalysis, Failure
from buffet.bands import BandRms
from buffet.blockage import CampaignBlockage
from buffet.checking import Checked
from buffet.crossings.document import crossings_entries
from buffet.json_values import Document, interval, number
from buffet.lines_out import line_shares, lines_are_out
from buffet.noise_floor import SignalToNoise
from buffet.peak_classes import PeakClass
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.shedding import NO_MODE
from buffet.rating.table import TableRow
from buffet.rating.verdict import CriterionRating
from buffet.rating_entries import criterion_entries, felt_entries
from buffet.road_wording import road_entries
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import NO_CALIBRATION, NO_RMS, QuantityResult, RunResult
from buffet.spectral.peaks import Peak
from buffet.spectral.resolution import MARKED_SEGMENTS
from buffet.tunnel_part import NOTHING_FOLLOWS, TunnelPart
from buffet.wind_wording import mixed_entries, wind_entries
from buffet.writing import Writer, text_writer
from ingest import Finding, Provenance, TubingCorrection

ONE_SPEED = "the lift was not measured at several wind speeds"


def dumps(document: Document) -> str:
    """As text: indented, NaN and infinity refused, ASCII alone, whatever the terminal speaks."""
    return json.dumps(document, indent=2, allow_nan=False)


def document_writer(build: Callable[[], Document]) -> Writer:
    """Writes a document that is put together only where a file of it is wanted."""
    return lambda path: text_writer(dumps(build()))(path)


def spectra_document(analysis: CampaignAnalysis, results: tuple[RunResult, ...]) -> Document:
    """What `spectra` prints."""
    return {
        "format": "buffet/spectra",
        "version": 1,
        "runs": [_run(result) for result in results],
        "failed": failures(analysis.failed),
    }


def failures(failed: Sequence[Failure]) -> list[Document]:
    """Runs that could not be read."""
    return [{"run": failure.run, "error": failure.error} for failure in failed]


def _run(result: RunResult) -> Document:
    analysis = result.analysis
    flow = analysis.flow
    return {
        "run": analysis.run.number,
        "kind": analysis.run.kind,
        "configuration": analysis.run.configuration,
        "strouhal": interval(result.strouhal),
        "strouhal_why": result.strouhal_why,
        "frequency_hz": interval(result.fundamental.frequency_hz) if result.fundamental else None,
        "speed_m_s": None if flow is None else number(flow.speed_m_s),
        "dynamic_pressure_pa": None if flow is None else number(flow.dynamic_pressure_pa),
        "flow_why": "no wind is stated or measured" if flow is None else None,
        "blockage": None if flow is None else asdict(flow.blockage),
        "reynolds": None if flow is None else number(flow.reynolds),
        "sample_rate_hz": analysis.sample_rate_hz,
        "duration_s": analysis.spectra.duration_s,
        "segment_s": analysis.segment_s,
        "segments": analysis.n_segments,
        "few_segments": analysis.n_segments < MARKED_SEGMENTS,
        "degrees_of_freedom": analysis.degrees_of_freedom,
        "reference_probes": [analysis.run.channels[i].name for i in analysis.probes],
        "without_tunnel": analysis.as_read is not None,
        "without_lines": analysis.with_lines is not None,
        "tunnel_why": analysis.no_probe_why,
        "channels": [_quantity(q, result.strouhal_per_hz) for q in result.quantities],
        "findings": [_finding(finding) for finding in (*analysis.findings, *result.rig)],
        "provenance": provenance_document(analysis.provenance),
    }


def provenance_document(provenance: Provenance) -> Document:
    """Files, reader and steps of a record."""
    return {
        "source": provenance.source,
        "sha256": provenance.sha256,
        "files": [{"file": file.name, "sha256": file.sha256} for file in provenance.files],
        "reader": provenance.reader,
        "steps": [
            {"name": step.name, "settings": _plain(step.settings), "version": step.version}
            for step in provenance.steps
        ],
    }


def _plain(value: Any) -> Any:
    """Settings as JSON knows them; anything else as text."""
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float):
        return number(value)
    if hasattr(value, "items"):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return str(value)


def _quantity(result: QuantityResult, strouhal_per_hz: float | None) -> Document:
    low, high = result.psd_factors
    return {
        "name": result.quantity.name,
        "measures": result.quantity.measures,
        "unit": result.quantity.unit,
        "mean": interval(result.mean),
        "rms": interval(result.rms),
        "rms_why": NO_RMS if result.rms is None else None,
        "rms_reliable": result.reliable,
        "noise_rms": number(result.noise_rms),
        **_over_noise(result.noise),
        "calibration_uncertainty": number(result.calibration_uncertainty),
        "calibration_uncertainty_why": NO_CALIBRATION
        if result.calibration_uncertainty is None
        else None,
        "variance_below_resolution": number(result.below_resolution),
        "unresolved_share": number(result.unresolved_share),
        "usable_to_hz": number(result.usable_to_hz),
        "inertia_removed": result.quantity.inertial_row is not None,
        "inertial_share": number(result.inertial_share),
        "tubing": None if result.tubing is None else _tubing(result.tubing),
        "tubing_why": result.tubing_why,
        "bands": [_band(band) for band in result.bands],
        "fit_deviance": number(result.fit_deviance),
        "peaks": [_peak(peak, kind, strouhal_per_hz) for peak, kind in result.followed],
        "frequency_hz": result.frequency_hz.tolist(),
        "psd": result.psd.tolist(),
        "psd_low_factor": low,
        "psd_high_factor": high,
        "noise_psd": None if result.noise_psd is None else result.noise_psd.tolist(),
        **_tunnel(result.tunnel),
    }


def _tubing(done: TubingCorrection) -> Document:
    return {
        "corrected_to_hz": done.to_hz,
        "largest_amplification": done.largest_amplification,
        "lag_s": done.lag_s,
        "model": done.model,
    }


def _tunnel(part: TunnelPart | None) -> Document:
    """What follows the reference probes, and the RMS with it and without it."""
    if part is None:
        known = ("rms", "share", "why")
        rms = ("rms_with_tunnel", "rms_without_tunnel")
        return dict.fromkeys((*(f"coherent_{key}" for key in known), *rms, "tunnel_coherence"))
    return {
        "coherent_rms": interval(part.rms),
        "coherent_share": interval(part.share),
        "coherent_why": NOTHING_FOLLOWS if part.rms is None else None,
        "rms_with_tunnel": interval(part.rms_as_read),
        "rms_without_tunnel": interval(part.rms_without),
        "tunnel_coherence": part.coherence.tolist(),
    }


def _band(band: BandRms) -> Document:
    return {
        "low_hz": band.low_hz,
        "high_hz": band.high_hz,
        "road_low_hz": band.road_low_hz,
        "road_high_hz": band.road_high_hz,
        "rms": interval(band.rms),
        "rms_why": band.why,
        **_over_noise(band.noise),
    }


def _over_noise(noise: SignalToNoise) -> Document:
    return {
        "signal_to_noise_db": interval(noise.decibels),
        "signal_to_noise_why": noise.why,
    }


def _peak(peak: Peak, kind: PeakClass, strouhal_per_hz: float | None) -> Document:
    scaled = None if strouhal_per_hz is None else peak.frequency_hz.scaled(strouhal_per_hz)
    return {
        "frequency_hz": interval(peak.frequency_hz),
        "strouhal": interval(scaled),
        "bandwidth_hz": interval(peak.bandwidth_hz),
        "rms": interval(peak.rms),
        "p_value": peak.p_value,
        "kind": peak.kind,
        "class": kind.name,
        "class_why": kind.why,
        "source": None if kind.source is None else str(kind.source),
    }


def _finding(finding: Finding) -> Document:
    return {
        "severity": finding.severity,
        "code": finding.code,
        "run": finding.run,
        "channel": finding.channel,
        "message": finding.message,
        "advice": finding.advice,
    }


def check_document(checked: Checked) -> Document:
    """What `check` prints."""
    return {
        "format": "buffet/check",
        "version": 1,
        "findings": [_finding(finding) for finding in checked.findings],
        "carries": [
            {"run": one.run, "verdict": one.verdict, "why": list(one.why)}
            for one in checked.carrying
        ],
        "failed": failures(checked.failed),
    }


def rating_document(rating: Rating) -> Document:
    """What `rate` prints."""
    return {
        "format": "buffet/rating",
        "version": 1,
        "speed_m_s": rating.speed_m_s,
        "vehicle": {"name": rating.vehicle.name, "source": rating.vehicle.source},
        **road_entries(rating.road, rating.road_track_m),
        **wind_entries(rating.wind),
        "criteria_source": rating.criteria.source,
        "road_reynolds": rating.road_reynolds,
        **blockage_entries(rating.analysis.blockage),
        **lines_entries(rating.analysis.runs),
        "without_tunnel": rating.with_tunnel is not None,
        "configurations": [
            _configuration(one, rating.as_read(one.name)) for one in rating.configurations
        ],
        "left_out": list(rating.left_out),
        "failed": failures(rating.analysis.failed),
    }


def blockage_entries(blockage: CampaignBlockage) -> Document:
    """The method, its size over the runs, and why there is no ratio."""
    ratio = blockage.area_ratio
    return {
        "blockage_correction": blockage.method,
        "blockage_ratio": ratio,
        "blockage_why": None if ratio is not None else "no test section is stated",
        "dynamic_pressure_factor": list(blockage.factors),
    }


def lines_entries(runs: Sequence[RunAnalysis]) -> Document:
    """Whether lines were taken out, and the largest share they held of each force and moment."""
    return {
        "without_lines": lines_are_out(runs),
        "line_shares": {one.quantity: one.share for one in line_shares(runs)},
    }


def _configuration(rating: ConfigurationRating, as_read: ConfigurationRating | None) -> Document:
    """`as_read`: the same with the tunnel's part, where that is taken out."""
    shed = rating.shedding
    read_rows: Sequence[CriterionRating | None] = (
        [None] * len(rating.criteria) if as_read is None else as_read.criteria
    )
    read_onset = as_read.onset if as_read else None
    return {
        "name": rating.name,
        "verdict": rating.verdict,
        "why": rating.why,
        "remarks": list(rating.remarks),
        "onset_speed_m_s": interval(rating.onset.speed_m_s) if rating.onset else None,
        "onset_why": rating.onset_why,
        "verdict_with_tunnel": as_read.verdict if as_read else None,
        "onset_with_tunnel_m_s": interval(read_onset.speed_m_s) if read_onset else None,
        "usable_band_hz": list(rating.usable_band_hz),
        "runs": [run.run.number for run in rating.curves.runs],
        **mixed_entries(rating.wind),
        "model_reynolds": list(rating.model_reynolds) if rating.model_reynolds else None,
        "speed_spread": rating.speed_spread,
        "speed_spread_why": None if rating.speed_spread is not None else ONE_SPEED,
        "missing": list(rating.curves.missing),
        "shedding": None
        if shed is None
        else {
            "strouhal": interval(shed.strouhal),
            "frequency_hz": shed.frequency_hz,
            "nearest_mode": shed.mode,
            "mode_hz": shed.mode_hz,
            "distance": shed.distance,
            "mode_why": NO_MODE if shed.mode is None else None,
        },
        "felt": felt_entries(rating.curves.felt),
        **crossings_entries(rating.crossings),
        "criteria": [
            criterion_entries(row, read, rating.curves.setting.speeds_m_s.max())
            for row, read in zip(rating.criteria, read_rows, strict=True)
        ],
    }


def table_document(rows: tuple[TableRow, ...], rating: Rating) -> Document:
    """What `table --json` prints: one object a row."""
    return {
        "format": "buffet/table",
        "version": 1,
        "vehicle": {"name": rating.vehicle.name, "source": rating.vehicle.source},
        **road_entries(rating.road, rating.road_track_m),
        **wind_entries(rating.wind),
        **blockage_entries(rating.analysis.blockage),
        **lines_entries(rating.analysis.runs),
        "rows": [row.as_dict() for row in rows],
        "failed": failures(rating.analysis.failed),
    }
