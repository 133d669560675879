"""One run read and reduced: its pass, its flow and rig, the noise and zeros it is read with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.blockage import blockage_findings
from buffet.errors import BuffetError, RecordTooShortError, TooCoarseError
from buffet.heap import give_back
from buffet.one_pass import AnalysisSettings, Passed, crossed, one_pass
from buffet.record_findings import noise_left, record_findings
from buffet.run_analysis import VERTICAL_FAMILY, NoiseFloor, RunAnalysis, family
from buffet.spectral.reduction import ReducedSpectra, reduce
from buffet.spectral.segments import SegmentSpectra
from buffet.spectral.uncertainty import Resampling, resample, run_seed
from buffet.tubing import noisy_from_hz, tubing_findings
from buffet.usable_band import antialias_findings, band_findings
from ingest import (
    Campaign,
    Channel,
    Finding,
    FlowState,
    IngestError,
    Provenance,
    Record,
    RigResponse,
    Run,
    ZeroReading,
    flow_state,
    rig_response,
    run_quantities,
    with_blockage,
)

Array = NDArray[np.float64]
# What is known of a run once it was read: reduced, and its zeros where it has no wind.
RunRead = tuple[RunAnalysis, ZeroReading | None]
# Works out of a run what will be asked of it, where it was read.
Prepare = Callable[[RunAnalysis], None]


@dataclass(frozen=True)
class Failure:
    """A run that could not be read."""

    run: str
    error: str


# Of a run: what was read, why nothing was, or what ends the analysis.
Outcome = RunRead | Failure | Exception


@dataclass(frozen=True)
class Reading:
    """What all runs of one analysis are read by."""

    campaign: Campaign
    settings: AnalysisSettings
    wanted_s: float | None  # length of the segments; None: by the flow that each record shows
    prepare: Prepare | None = None


def read_or_failed(reading: Reading, run: Run, off: Mapping[str, RunRead]) -> RunRead | Failure:
    """One run, or why it could not be read; `off` holds the wind-off runs, by number.

    Raises
    ------
    RecordTooShortError, TooCoarseError
        A resolution was asked for that the record cannot give.
    """
    try:
        return read_run(reading, run, off)
    except (IngestError, BuffetError) as error:
        asked = reading.settings.resolution_hz is not None
        if asked and isinstance(error, RecordTooShortError | TooCoarseError):
            raise error.of_run(run.number) from error
        return Failure(run.number, str(error))
    except OSError as error:  # of a disk or a system under the run
        return Failure(run.number, f"cannot be read: {error}")


def read_run(reading: Reading, run: Run, off: Mapping[str, RunRead]) -> RunRead:
    """Read a run once and reduce it; raises what its recording and its length give reason for."""
    record = opened(reading, run, off)
    passed = one_pass(record, reading.wanted_s, reading.settings, reading.campaign.model)
    give_back()
    return reduced(reading, run, off, RecordWords.of(record), passed)


def opened(
    reading: Reading, run: Run, off: Mapping[str, RunRead], *, checked: bool = True
) -> Record:
    """Its record, with the zeros of its wind-off runs taken out."""
    zeros = {number: zero for number, (_, zero) in off.items() if zero is not None}
    ahead = reading.settings.workers > 1
    return run.open(zeros if run.kind == "wind-on" else None, checked=checked, ahead=ahead)


@dataclass(frozen=True)
class RecordWords:
    """What a record says of itself once it was read."""

    sample_rate_hz: float
    slowest_logged_hz: float
    reach_hz: Mapping[str, float]
    findings: tuple[Finding, ...]
    provenance: Provenance
    zero: ZeroReading | None  # of a wind-off run

    @classmethod
    def of(cls, record: Record) -> RecordWords:
        """After its last block."""
        return cls(
            record.sample_rate_hz,
            record.slowest_logged_hz,
            record.reach_hz,
            record.findings,
            record.provenance,
            record.zero_reading() if record.run.kind == "wind-off" else None,
        )


def reduced(
    reading: Reading, run: Run, off: Mapping[str, RunRead], record: RecordWords, passed: Passed
) -> RunRead:
    """What one pass left of a run, as quantities with its noise and findings."""
    zeros = [off[number][0] for number in run.zero_runs if number in off]
    result = _analysis(reading.campaign, run, record, passed, zeros)
    if reading.prepare is not None:
        reading.prepare(result)
    return result, record.zero


def _analysis(
    campaign: Campaign,
    run: Run,
    record: RecordWords,
    passed: Passed,
    zeros: Sequence[RunAnalysis],
) -> RunAnalysis:
    channels = run.channels
    spectra = passed.spectra
    flow = _flow(campaign, run, spectra.mean)
    rows = run_quantities(channels, campaign.model, flow)
    rig = _rig(run, record, spectra, zeros)
    signal = reduce(spectra, channels, rows, rig)
    floors = [_noise_floor(zero, channels, signal, rig) for zero in zeros]
    return RunAnalysis(
        run,
        campaign.model,
        flow,
        record.sample_rate_hz,
        spectra.segment_s,
        spectra.n_segments,
        spectra.degrees_of_freedom,
        spectra,
        signal,
        tuple(floor for floor in floors if floor is not None),
        _resamplings(run, signal),
        (
            *record.findings,
            *antialias_findings(run, record.slowest_logged_hz),
            *band_findings(run, rig, flow, campaign.model),
            *tubing_findings(run, rig, flow, campaign.model),
            *blockage_findings(run, flow, campaign.test_section),
            *record_findings(run, spectra, rig.usable_to_hz, zeros, record.findings),
            *(noise_left(run, z.run) for z, f in zip(zeros, floors, strict=True) if f is None),
        ),
        _provenance(record, flow),
        rig,
        copy=passed.copy,
        tapers=passed.tapers,
    )


def _flow(campaign: Campaign, run: Run, means: Array) -> FlowState | None:
    """The oncoming flow from the channels' means, blockage corrected where that is chosen."""
    named = dict(zip((channel.name for channel in run.channels), means, strict=True))
    flow = flow_state(run, campaign.model, named)
    if flow is None:
        return None
    return with_blockage(flow, run, campaign.model, campaign.test_section, means.tolist())


def _rig(
    run: Run, record: RecordWords, spectra: SegmentSpectra, zeros: Sequence[RunAnalysis]
) -> RigResponse:
    """The rig with the air of the channels' means, and where wind-off noise ends its correction."""
    channels = run.channels
    means = dict(zip((channel.name for channel in channels), spectra.mean, strict=True))
    rig = rig_response(run, record.sample_rate_hz, means, record.reach_hz)
    return replace(rig, noisy_from_hz=noisy_from_hz(channels, spectra, zeros, rig))


def _provenance(record: RecordWords, flow: FlowState | None) -> Provenance:
    """What was done to the record, blockage included."""
    if flow is None or flow.blockage.method == "none":
        return record.provenance
    return record.provenance.with_step("correct blockage", **asdict(flow.blockage))


def _resamplings(run: Run, signal: ReducedSpectra) -> dict[str, Resampling]:
    """One a family; the vertical one always, since the rating rests on it."""
    totals = signal.group_totals()
    members: dict[str, list[int]] = {VERTICAL_FAMILY: []}
    for index, quantity in enumerate(signal.quantities):
        members.setdefault(family(quantity), []).append(index)
    return {
        name: resample(signal.group_segments, totals[:, own], run_seed(run.number, name))
        for name, own in members.items()
    }


def _noise_floor(
    wind_off: RunAnalysis,
    channels: Sequence[Channel],
    signal: ReducedSpectra,
    rig: RigResponse,
) -> NoiseFloor | None:
    """The wind-off run seen through the wind-on run's rows; None where a channel is missing."""
    own = wind_off.run.channels
    position = {channel.name: index for index, channel in enumerate(own)}
    kept = [{run[i].name for i in crossed(run)} for run in (channels, own)]
    if any(channel.name not in position for channel in channels) or kept[0] - kept[1]:
        return None
    order = [position[channel.name] for channel in channels]
    segments = _reordered(wind_off.spectra, order)
    noise = reduce(segments, channels, signal.quantities, rig)
    resampling = resample(noise.group_segments, noise.group_totals(), run_seed(wind_off.run.number))
    return NoiseFloor(wind_off.run.number, noise, resampling, segments)


def _reordered(spectra: SegmentSpectra, order: list[int]) -> SegmentSpectra:
    """The same spectra with channels in another order."""
    if order == list(range(len(spectra.mean))):
        return spectra
    place = {channel: new for new, channel in enumerate(order)}
    kept = tuple(sorted(place[c] for c in spectra.settings.cross_channels if c in place))
    more = tuple(
        (place[a], place[b]) for a, b in spectra.settings.more_pairs if a in place and b in place
    )
    rows = [spectra.settings.cross_channels.index(order[channel]) for channel in kept]
    settings = replace(spectra.settings, cross_channels=kept, more_pairs=more)
    pairs = settings.pairs
    bins = settings.retained_bins
    group_cross = [spectra.group_cross_psd(order[a], order[b]) for a, b in pairs]
    empty = np.zeros((len(spectra.group_segments), 0, bins), complex)
    return replace(
        spectra,
        settings=settings,
        mean=spectra.mean[order],
        variance=spectra.variance[order],
        covariance=spectra.covariance[np.ix_(rows, rows)],
        psd=spectra.psd[order],
        cross=np.array([spectra.cross_psd(order[a], order[b]) for a, b in pairs]).reshape(
            len(pairs), spectra.psd.shape[1]
        ),
        group_psd=spectra.group_psd[:, order],
        group_cross=np.stack(group_cross, axis=1) if pairs else empty,
        group_mean=spectra.group_mean[:, order],
        packed=None if spectra.packed is None else spectra.packed[:, order][:, :, order],
    )
