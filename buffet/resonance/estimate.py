"""The resonances of a campaign's wind-off records, each read once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import Failure
from buffet.errors import BuffetError, NoResonanceError
from buffet.one_pass import look_ahead
from buffet.resonance.ambient import ambient_modes, logged_to_hz, segment_samples
from buffet.resonance.result import ALSO, ChannelResonance, RunResonance
from buffet.resonance.strikes import LOOKBACK_S, StrikeCutter
from buffet.resonance.tap import TapTest
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from ingest import FORCES, MOMENTS, Campaign, Channel, IngestError, Record, Run

Array = NDArray[np.float64]
Progress = Callable[[str], None]
AskedKind = Literal["tap", "wind-off", "auto"]

RESONATING = (*FORCES, *MOMENTS, *ALSO)
# Strikes with a decay from which a record is a tap test though its sheet does not say so: a door
# slams once.
TAP_TEST_STRIKES = 2
FEWEST_SEGMENT_SAMPLES = 64  # 32 bins, of which a smooth background takes up six


@dataclass(frozen=True)
class CampaignResonance:
    """Every record that was asked for, and those of which nothing can be said."""

    title: str
    runs: tuple[RunResonance, ...]
    failed: tuple[Failure, ...]


def resonances(
    campaign: Campaign,
    number: str | None = None,
    kind: AskedKind = "auto",
    progress: Progress = lambda text: None,
) -> CampaignResonance:
    """Natural frequency and damping of every channel that can resonate.

    Parameters
    ----------
    number : the run, or None for all wind-off runs
    kind : "auto" takes a record for a tap test where its sheet says so or strikes show in it

    Raises
    ------
    NoResonanceError
        The run has wind, the campaign no run without, or nothing can be said of the run asked for.
    """
    runs = [campaign.run(number)] if number is not None else list(campaign.wind_off)
    if not runs:
        raise NoResonanceError(
            f"{campaign.folder} has no wind-off run; log a tap test or a record without wind, and "
            "state kind = 'wind-off' in its run sheet"
        )
    for run in runs:
        if run.kind != "wind-off":
            raise NoResonanceError(
                f"run {run.number} has wind: what it shows may be flow. Name a run with kind = "
                "'wind-off', a tap test or a record of noise"
            )
    found, failed = [], []
    for run in runs:
        try:
            found.append(_of_run(run, kind, progress))
        except (IngestError, BuffetError) as error:
            if number is not None:
                raise
            failed.append(Failure(run.number, str(error)))
    return CampaignResonance(campaign.title, tuple(found), tuple(failed))


def _of_run(run: Run, kind: AskedKind, progress: Progress) -> RunResonance:
    record = run.open()
    chosen = [i for i, channel in enumerate(record.channels) if channel.measures in RESONATING]
    if not chosen:
        raise NoResonanceError(
            f"run {run.number} has no force, moment, bridge or accelerometer: nothing of it rings "
            "with the balance"
        )
    channels = [record.channels[i] for i in chosen]
    tap = TapTest(channels, record.sample_rate_hz)
    blocks: Iterator[Array] = (block[chosen] for block in record.blocks())
    if kind != "wind-off":
        blocks = _watched(blocks, tap, f"run {run.number}", progress)
    if kind == "tap" or (kind == "auto" and run.excitation == "tap"):
        for _ in blocks:
            pass
        return _tapped(run, record, tap)
    progress(f"run {run.number}")
    spectra = _spectra(blocks, run, record.sample_rate_hz, len(channels))
    results = tap.results()
    if max(one.strikes for one in results) >= TAP_TEST_STRIKES:
        return RunResonance(run, "tap", record.duration_s, tuple(tap.strikes_s), None, results)
    return _ambient(run, spectra, channels, progress)


def _watched(
    blocks: Iterator[Array], tap: TapTest, told: str, progress: Progress
) -> Iterator[Array]:
    """The same blocks, with every strike in them fitted as it passes."""
    cutter: StrikeCutter | None = None
    for block in blocks:
        cutter = cutter or StrikeCutter(len(block), tap.rate_hz)
        for strike in cutter.push(block):
            progress(f"{told}, strike at {strike.time_s:.1f} s")
            tap.add(strike)
        yield block
    for strike in cutter.finish() if cutter else ():
        tap.add(strike)


def _tapped(run: Run, record: Record, tap: TapTest) -> RunResonance:
    results = tap.results()
    told = f"run {run.number}"
    if not tap.strikes_s:
        raise NoResonanceError(
            f"{told}: no strike in {record.duration_s:.3g} s; a strike must reach three times what "
            f"the {LOOKBACK_S:g} s before it did. Strike harder, and wait until the model is at "
            "rest, or use --kind wind-off"
        )
    if not any(one.modes for one in results):
        n = len(tap.strikes_s)
        reasons = dict.fromkeys(f"{one.channel.name}: {one.why}" for one in results)
        raise NoResonanceError(
            f"{told}: {n} strike{'s'[: n > 1]}, but no decay could be used; " + "; ".join(reasons)
        )
    return RunResonance(run, "tap", record.duration_s, tuple(tap.strikes_s), None, results)


def _spectra(blocks: Iterator[Array], run: Run, rate_hz: float, n_channels: int) -> SegmentSpectra:
    """Of the whole record, in segments as long as it allows."""
    held = list(look_ahead(blocks))
    samples = sum(block.shape[1] for block in held)
    length = segment_samples(samples, rate_hz)
    if length < FEWEST_SEGMENT_SAMPLES:
        raise NoResonanceError(
            f"run {run.number}: {samples} samples are too few for a spectrum that shows a "
            f"resonance; log a minute or more"
        )
    engine = SegmentEngine(n_channels, SegmentSettings(rate_hz, length, retained_to_hz=0.0))
    for block in chain(held, blocks):
        engine.push(block)
    return engine.finish()


def _ambient(
    run: Run, spectra: SegmentSpectra, channels: Sequence[Channel], progress: Progress
) -> RunResonance:
    rate_hz = spectra.settings.sample_rate_hz
    results: list[ChannelResonance] = []
    for i, channel in enumerate(channels):
        progress(f"run {run.number}, {channel.name} ({i + 1} of {len(channels)})")
        results.append(
            ambient_modes(
                channel,
                spectra.frequency_hz,
                spectra.psd[i],
                spectra.effective_segments,
                logged_to_hz(run, channel, rate_hz),
                run.rotation,
            )
        )
    return RunResonance(run, "wind-off", spectra.duration_s, (), spectra.segment_s, tuple(results))
