"""A long recording read by several: its ranges of time, and all that is not a sum over segments.

Each range's reader goes through the record from its start without looking at what it drops, which
is little beside the transforms of many channels; one more reads it whole, for checks, digest and
what is kept over time. Their sums together are those of a single pass.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

from buffet.errors import BuffetError
from buffet.one_pass import Rest, part_of_pass, rest_of_pass, whole_pass
from buffet.one_run import (
    Outcome,
    Reading,
    RecordWords,
    RunRead,
    opened,
    read_or_failed,
    reduced,
)
from buffet.spectral.segment_sums import SegmentSums
from ingest import IngestError, Run, StoredRun

# Values of all channels above which a recording is long: half an hour of 64 channels at 1 kHz.
LONG_VALUES = 1e8
MOST_RANGES = 64
TEXT = "delimited text"
Whole = tuple[RecordWords, Rest]


def ranges_of(run: Run, n_runs: int, n_workers: int) -> int:
    """In how many ranges to read a run where workers would be idle; 1: as one.

    Not one in a store, which each reader would fetch, nor text: its length is not known before it
    is read, and reading it takes longer than its transforms.
    """
    idle = n_workers // max(n_runs, 1)
    if isinstance(run, StoredRun) or idle < 2:
        return 1
    with suppress(IngestError, OSError):
        record = run.open(checked=False)
        if record.reader != TEXT and record.expected_samples is not None:
            long = record.expected_samples * len(run.channels) / LONG_VALUES
            return max(1, min(int(long), idle, MOST_RANGES))
    return 1


def read_range(
    reading: Reading, run: Run, off: Mapping[str, RunRead], place: tuple[int, int]
) -> SegmentSums | None:
    """Sums over one range, `place` = (index, count); None where `joined_run` is to read it all."""
    with suppress(IngestError, BuffetError, OSError):
        # a cache is filled by whoever reads the run whole
        record = opened(reading, replace(run, fills_cache=False), off, checked=False)
        model = reading.campaign.model
        return part_of_pass(record, reading.wanted_s, reading.settings, model, place)
    return None


def read_rest(reading: Reading, run: Run, off: Mapping[str, RunRead]) -> Whole | None:
    """All that is not a sum over segments; None likewise."""
    with suppress(IngestError, BuffetError, OSError):
        record = opened(reading, run, off)
        rest = rest_of_pass(record, reading.wanted_s, reading.settings, reading.campaign.model)
        return RecordWords.of(record), rest
    return None


def joined_run(
    reading: Reading,
    run: Run,
    off: Mapping[str, RunRead],
    whole: Whole | None,
    parts: Sequence[SegmentSums | None],
) -> Outcome:
    """The run of all its parts; read once more as one where they are not all of it."""
    passed = None if whole is None else whole_pass(whole[1], parts)
    if whole is None or passed is None:
        return read_or_failed(reading, run, off)
    return reduced(reading, run, off, whole[0], passed)
