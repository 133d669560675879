"""The one recipe: every run of a campaign, read once, reduced to spectra with uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from buffet.blockage import CampaignBlockage, blockage_findings
from buffet.errors import BuffetError, RecordTooShortError, TooCoarseError
from buffet.one_pass import AnalysisSettings, crossed, one_pass
from buffet.record_findings import length_findings, noise_left, record_findings
from buffet.run_analysis import VERTICAL_FAMILY, NoiseFloor, RunAnalysis, family
from buffet.shown import Shown
from buffet.spectral.reduction import ReducedSpectra, reduce
from buffet.spectral.resolution import segment_for_peaks_s
from buffet.spectral.segments import SegmentSpectra
from buffet.spectral.uncertainty import Resampling, resample, run_seed
from buffet.tubing import noisy_from_hz, tubing_findings
from buffet.tunnel_part import all_without_tunnel
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
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Failure:
    """A run that could not be read."""

    run: str
    error: str


@dataclass(frozen=True)
class CampaignAnalysis(Shown):
    """All runs of a campaign that could be read, and those that could not."""

    campaign: Campaign
    runs: tuple[RunAnalysis, ...]  # wind-on
    wind_off: tuple[RunAnalysis, ...]
    failed: tuple[Failure, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of all runs."""
        every = (*self.wind_off, *self.runs)
        own = (finding for run in every for finding in run.findings)
        return (*own, *length_findings(every))

    @property
    def blockage(self) -> CampaignBlockage:
        """How it is corrected in all wind-on runs."""
        return CampaignBlockage.of(self.campaign, [run.flow for run in self.runs])

    def chosen(self, numbers: Sequence[str] | None) -> tuple[RunAnalysis, ...]:
        """Runs of the numbers asked for, or all, in the campaign's order."""
        every = {run.run.number: run for run in (*self.wind_off, *self.runs)}
        wanted = [run.number for run in self.campaign.runs if run.number in every]
        return tuple(every[n] for n in wanted if numbers is None or n in numbers)

    def without_tunnel(self) -> CampaignAnalysis:
        """The wind-on runs without what follows their reference probes.

        Raises
        ------
        NoReferenceProbeError
            A run's probe never changed, or its record is too short for it.
        """
        return replace(self, runs=all_without_tunnel(self.runs))

    def without_lines(self) -> CampaignAnalysis:
        """All runs without their lines, which the pass must have kept tapers for."""
        runs, wind_off = (
            tuple(run.without_lines for run in runs) for runs in (self.runs, self.wind_off)
        )
        return replace(self, runs=runs, wind_off=wind_off)

    def of(self, configuration: str) -> tuple[RunAnalysis, ...]:
        """Runs of one configuration."""
        return tuple(run for run in self.runs if run.run.configuration == configuration)


# What is known of a run once it was read: reduced, and its zeros where it has no wind.
RunRead = tuple[RunAnalysis, ZeroReading | None]


class Store(Protocol):
    """Where runs that were read before are found again."""

    def find(self, run: Run, wanted_s: float | None) -> RunRead | None:
        """None where it was not, or is another by now."""

    def keep(self, run: Run, wanted_s: float | None, read: RunRead) -> None:
        """For the next time; `wanted_s` is the segment length that was wanted."""


@dataclass
class _WindOff:
    """What the wind-off runs leave for the wind-on ones, by run number."""

    runs: dict[str, RunAnalysis] = field(default_factory=dict)
    zeros: dict[str, ZeroReading] = field(default_factory=dict)


def analyse(
    campaign: Campaign,
    numbers: Sequence[str] | None = None,
    settings: AnalysisSettings | None = None,
    progress: Progress = lambda text: None,
    store: Store | None = None,
) -> CampaignAnalysis:
    """Read and reduce runs; the wind-off runs that wind-on ones refer to come first.

    Parameters
    ----------
    numbers : run numbers, or None for all
    progress : called with one line before each run
    store : runs that were read before; None reads all

    Raises
    ------
    RecordTooShortError, TooCoarseError
        A resolution was asked for that a record cannot give.
    """
    settings = settings or AnalysisSettings()
    chosen = [run for run in campaign.runs if numbers is None or run.number in numbers]
    wind_on = [run for run in chosen if run.kind == "wind-on"]
    wanted_s = _wanted_segment_s(campaign, settings)
    off, failed = _WindOff(), []
    needed = {number for run in wind_on for number in (run.zero_before, run.zero_after)}
    needed |= {run.number for run in chosen if run.kind == "wind-off"}
    steps = [run for run in campaign.wind_off if run.number in needed] + wind_on
    results = []
    for position, run in enumerate(steps, 1):
        progress(f"run {run.number} ({position} of {len(steps)})")
        try:
            result = _read_once(campaign, run, off, wanted_s, settings, store)
        except (IngestError, BuffetError) as error:
            asked = settings.resolution_hz is not None
            if asked and isinstance(error, RecordTooShortError | TooCoarseError):
                raise error.of_run(run.number) from error
            failed.append(Failure(run.number, str(error)))
            continue
        if run.kind == "wind-off":
            off.runs[run.number] = result
        else:
            results.append(result)
    return CampaignAnalysis(campaign, tuple(results), tuple(off.runs.values()), tuple(failed))


def _read_once(
    campaign: Campaign,
    run: Run,
    off: _WindOff,
    wanted_s: float | None,
    settings: AnalysisSettings,
    store: Store | None,
) -> RunAnalysis:
    known = None if store is None else store.find(run, wanted_s)
    if known is not None:
        result, zero = known
        if zero is not None:
            off.zeros[run.number] = zero
        return result
    result = _analyse_run(campaign, run, off, wanted_s, settings)
    if store is not None:
        store.keep(run, wanted_s, (result, off.zeros.get(run.number)))
    return result


def _wanted_segment_s(campaign: Campaign, settings: AnalysisSettings) -> float | None:
    """One segment length for the campaign, so that noise and signal share their bins."""
    if settings.resolution_hz is not None:
        return 1 / settings.resolution_hz
    model = campaign.model
    flows = [flow_state(run, model, {}) for run in campaign.wind_on]
    speeds = [flow.speed_m_s for flow in flows if flow is not None]
    if model is None or not speeds:
        return None
    return segment_for_peaks_s(model.strouhal_length_m, min(speeds))


def _analyse_run(
    campaign: Campaign,
    run: Run,
    off: _WindOff,
    wanted_s: float | None,
    settings: AnalysisSettings,
) -> RunAnalysis:
    record = run.open(off.zeros if run.kind == "wind-on" else None)
    passed = one_pass(record, wanted_s, settings, campaign.model)
    spectra = passed.spectra
    if run.kind == "wind-off":
        off.zeros[run.number] = record.zero_reading()
    flow = _flow(campaign, run, spectra.mean)
    rows = run_quantities(record.channels, campaign.model, flow)
    named = dict.fromkeys((run.zero_before, run.zero_after))
    zeros = [off.runs[number] for number in named if number is not None and number in off.runs]
    rig = _rig(record, spectra, zeros)
    signal = reduce(spectra, record.channels, rows, rig)
    floors = [_noise_floor(zero, record.channels, signal, rig) for zero in zeros]
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


def _rig(record: Record, spectra: SegmentSpectra, zeros: Sequence[RunAnalysis]) -> RigResponse:
    """The rig with the air of the channels' means, and where wind-off noise ends its correction."""
    channels = record.channels
    means = dict(zip((channel.name for channel in channels), spectra.mean, strict=True))
    rig = rig_response(record.run, record.sample_rate_hz, means, record.reach_hz)
    return replace(rig, noisy_from_hz=noisy_from_hz(channels, spectra, zeros, rig))


def _provenance(record: Record, flow: FlowState | None) -> Provenance:
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
    group_cross = [spectra.group_cross_psd(order[a], order[b], bins) for a, b in pairs]
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
