"""The one pass over a record: read once, for all that is wanted of its samples."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.errors import NoUsableBandError, TooCoarseError
from buffet.spectral.decimated import DecimatedRecord, Decimator
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.resolution import (
    FEWEST_SAMPLES,
    FEWEST_SEGMENTS,
    WISHED_SEGMENTS,
    segment_for_peaks_s,
    segment_samples,
)
from buffet.spectral.segment_sums import SegmentSums, merged, record_parts
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from buffet.spectral.tapers import TaperAccumulator, TaperSpectra, stretch_settings
from ingest import PROBE, Channel, FlowState, Model, Record, flow_state, rig_response

Array = NDArray[np.float64]
# What a pass can keep besides segment spectra: transforms of long stretches under several tapers,
# the cross-spectra of all channels, and a decimated copy of the samples: of all channels, or of
# those behind the components of the force.
Keep = Literal["tapers", "matrix", "copy", "forces"]
FOR_LINES: frozenset[Keep] = frozenset({"tapers"})  # what pure lines are found in

# Samples of all channels held until the record's length is known; 32 MB in double precision.
LOOKAHEAD_SAMPLES = 4_000_000
# Up to which the copy holds a wake: a dozen harmonics of shedding at 0.2 (engineering judgement).
COPIED_STROUHAL = 2.5
# Values of the components' copy, of which a rating holds one of every run: 16 MB.
MOST_FORCE_VALUES = 4_000_000


@dataclass(frozen=True)
class AnalysisSettings:
    """What the user may choose."""

    resolution_hz: float | None = None
    workers: int = 2
    keeps: frozenset[Keep] = frozenset()  # besides the spectra


@dataclass(frozen=True)
class Passed:
    """What one pass over a record leaves behind."""

    spectra: SegmentSpectra
    tapers: TaperSpectra | None
    copy: DecimatedRecord | None


@dataclass(frozen=True)
class Rest:
    """What a pass leaves beside segment spectra, and how the segments are cut."""

    cut: SegmentSettings
    n_samples: int
    tapers: TaperSpectra | None
    copy: DecimatedRecord | None


def one_pass(
    record: Record, wanted_s: float | None, settings: AnalysisSettings, model: Model | None
) -> Passed:
    """Read a record once, for all that is kept of it; its length is looked ahead for, in bounds.

    Raises
    ------
    NoUsableBandError
        Filter and rig leave no bin of the spectrum.
    RecordTooShortError, TooCoarseError, TooFewSamplesError
        The record does not fill the segments asked for, or a segment has too few samples.
    """
    blocks = record.blocks()
    plan = _planned(record, blocks, wanted_s, settings, model)
    engine = SegmentEngine(len(record.channels), plan.cut)
    rest = _rest(record, settings, plan, blocks, [engine.push])
    return Passed(engine.finish(), rest.tapers, rest.copy)


def rest_of_pass(
    record: Record, wanted_s: float | None, settings: AnalysisSettings, model: Model | None
) -> Rest:
    """The same without its segment spectra, whose parts others sum; raises like `one_pass`."""
    blocks = record.blocks()
    plan = _planned(record, blocks, wanted_s, settings, model)
    return _rest(record, settings, plan, blocks, [])


def part_of_pass(
    record: Record,
    wanted_s: float | None,
    settings: AnalysisSettings,
    model: Model | None,
    place: tuple[int, int],
) -> SegmentSums | None:
    """Segments of one range of time, `place` = (index, count), summed; raises like `one_pass`.

    The record is read from its start, so that its samples are those of a single pass whatever
    fills its gaps; what is not in the range is dropped. None where the record turns out to have
    another length than it was expected to, by which the ranges were cut.
    """
    blocks = record.blocks()
    plan = _planned(record, blocks, wanted_s, settings, model)
    if record.expected_samples is None:
        return None
    parts = record_parts(plan.cut, record.expected_samples, place[1])
    if place[0] >= len(parts):
        return None
    part = parts[place[0]]
    engine = SegmentEngine(len(record.channels), plan.cut, part)
    start = 0
    for block in chain(plan.held, blocks):
        own = slice(
            max(0, part.first_sample - start), part.stop_sample and part.stop_sample - start
        )
        start += block.shape[1]
        engine.push(block[:, own])
        if part.stop_sample is not None and start >= part.stop_sample:
            break
    try:
        return engine.sums()
    except ValueError:
        return None


def whole_pass(rest: Rest, parts: Sequence[SegmentSums | None]) -> Passed | None:
    """As if it had been one; None where the parts are not all of the record.

    A part may be missing that would have held none of it: more were asked for than it has batches.
    """
    found = [part for part in parts if part is not None]
    if not found or sum(part.n_samples for part in found) != rest.n_samples:
        return None
    if any(part.settings != rest.cut for part in found):
        return None
    return Passed(merged(found).spectra(), rest.tapers, rest.copy)


@dataclass(frozen=True)
class _Plan:
    """What the beginning of a record decides."""

    held: list[Array]  # that beginning
    cut: SegmentSettings
    copied_to_hz: float  # where a copy of the samples is kept


def _planned(
    record: Record,
    blocks: Iterator[Array],
    wanted_s: float | None,
    settings: AnalysisSettings,
    model: Model | None,
) -> _Plan:
    held = list(look_ahead(blocks))
    seen = sum(block.shape[1] for block in held)
    rate = record.sample_rate_hz
    wind_on = record.run.kind == "wind-on"
    if settings.resolution_hz is not None and rate < FEWEST_SAMPLES * settings.resolution_hz:
        raise TooCoarseError(rate, settings.resolution_hz, FEWEST_SAMPLES, None)
    flow = None if model is None else _flow_in(record, held, model)
    if wanted_s is None and model is not None and flow is not None:
        wanted_s = segment_for_peaks_s(model.strouhal_length_m, flow.speed_m_s)
    # Noise changes slowly over frequency: a short wind-off run may have wider bins.
    insist = settings.resolution_hz is not None and wind_on
    wished = WISHED_SEGMENTS if wind_on else FEWEST_SEGMENTS
    length = segment_samples(rate, seen / rate, wanted_s, insist=insist, wished=wished)
    rig = rig_response(record.run, rate, {}, record.reach_hz)
    reach = max(rig.untubed_to_hz(channel) for channel in record.channels)
    cut = SegmentSettings(
        rate,
        length,
        crossed(record.channels),
        reach,
        settings.workers,
        _with_probes(record.channels),
        "matrix" in settings.keeps,
        single_precision=True,
    )
    if cut.retained_bins <= FIRST_BIN:
        raise NoUsableBandError(reach, length / rate, rate)
    return _Plan(held, cut, _copied_to_hz(flow, model, reach))


def _rest(
    record: Record,
    settings: AnalysisSettings,
    plan: _Plan,
    blocks: Iterator[Array],
    takers: list[Callable[[Array], None]],
) -> Rest:
    """The pass itself; `takers` take the blocks as well."""
    tapers = _taper_accumulator(record, plan) if "tapers" in settings.keeps else None
    copy = _decimator(record, settings, plan.copied_to_hz)
    takers += [one.push for one in (tapers, copy) if one is not None]
    with ThreadPoolExecutor(max(1, len(takers))) as pool:
        each = pool.map if plan.cut.workers > 1 else map
        for block in chain(_let_go(plan.held), blocks):
            list(each(partial(_hand, block), takers))
    return Rest(
        plan.cut,
        record.n_samples,
        None if tapers is None else tapers.finish(),
        None if copy is None else copy.finish(),
    )


def _taper_accumulator(record: Record, plan: _Plan) -> TaperAccumulator:
    cut, seen = plan.cut, sum(block.shape[1] for block in plan.held)
    stretches = stretch_settings(
        cut.sample_rate_hz,
        cut.segment_samples,
        seen,
        FIRST_BIN * cut.sample_rate_hz / cut.segment_samples,
        cut.retained_to_hz,
        cut.workers,
    )
    return TaperAccumulator(len(record.channels), stretches)


def _decimator(record: Record, settings: AnalysisSettings, to_hz: float) -> Decimator | None:
    n, rate = len(record.channels), record.sample_rate_hz
    if "copy" in settings.keeps:
        return Decimator(n, rate, to_hz)
    forces = crossed(record.channels)
    if "forces" in settings.keeps and forces:
        return Decimator(n, rate, to_hz, MOST_FORCE_VALUES, forces)
    return None


def _hand(block: Array, take: Callable[[Array], None]) -> None:
    take(block)


def _let_go(held: list[Array]) -> Iterator[Array]:
    """Blocks in their order, none of which stays in memory."""
    while held:
        yield held.pop(0)


def crossed(channels: Sequence[Channel]) -> tuple[int, ...]:
    """Channels that are combined: components and the accelerometers that add to them."""
    adding = {name for channel in channels for name, _ in channel.inertial}
    return tuple(i for i, c in enumerate(channels) if c.is_component or c.name in adding)


def _with_probes(channels: Sequence[Channel]) -> tuple[tuple[int, int], ...]:
    """Each pair of a probe in the oncoming flow and any other channel."""
    probes = [i for i, channel in enumerate(channels) if channel.measures == PROBE]
    pairs = {(min(i, p), max(i, p)) for p in probes for i in range(len(channels)) if i != p}
    return tuple(sorted(pairs))


def _flow_in(record: Record, held: Sequence[Array], model: Model) -> FlowState | None:
    """The flow that the sheet, or channels in what is held of the record, show; None without."""
    total = np.zeros(len(record.channels))
    for block in held:
        total += block.sum(axis=1)
    means = total / max(sum(block.shape[1] for block in held), 1)
    named = dict(zip((c.name for c in record.channels), means, strict=True))
    return flow_state(record.run, model, named)


def _copied_to_hz(flow: FlowState | None, model: Model | None, reach_hz: float) -> float:
    """Highest frequency wanted in the copy: of a wake, or all that the channels hold."""
    if flow is None or model is None:
        return reach_hz
    return min(reach_hz, COPIED_STROUHAL * flow.speed_m_s / model.strouhal_length_m)


def look_ahead(blocks: Iterator[Array]) -> Iterator[Array]:
    """Blocks up to the bound; the rest stays in `blocks`."""
    held = 0
    for block in blocks:
        yield block
        held += block.size
        if held >= LOOKAHEAD_SAMPLES:
            return
