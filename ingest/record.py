"""A run as its sheet states it, and the record: one pass over its calibrated samples."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ingest.air import StatedAir
from ingest.balance import Balance
from ingest.balance_stream import BalanceStream
from ingest.channel import Channel
from ingest.clock_findings import clock_findings, rate_in_file_findings
from ingest.errors import RecordingError, RecordUseError
from ingest.findings import Finding
from ingest.flow import FLOW_CONDITIONS
from ingest.flow_findings import flow_findings
from ingest.gaps import EndlessLeadingGapError, GapFiller
from ingest.provenance import Provenance, SourceFile, Step, step
from ingest.reading_ahead import reading_ahead
from ingest.recording import ClockOptions, FileOptions, RawBlock, Recording
from ingest.rig import CorrectionBounds
from ingest.tunnel import Rotation
from ingest.zeros import RunClock, ZeroLine, ZeroReading, has_zero, zero_line

Kind = Literal["wind-on", "wind-off"]
Excitation = Literal["tap"]  # the model was struck, and rang


@dataclass(frozen=True)
class Run:
    """One recording with its run sheet, in SI."""

    number: str
    configuration: str | None  # None for wind-off runs
    kind: Kind
    sheet: Path
    recordings: tuple[Path, ...]  # files of one recording, in order
    sources: tuple[str, ...]  # the same, relative to the campaign folder
    channels: tuple[Channel, ...]
    clock: ClockOptions
    file_options: FileOptions = field(default_factory=FileOptions)
    air: StatedAir = field(default_factory=StatedAir)
    antialias_cutoff_hz: float | None = None
    started: datetime | None = None
    zero_before: str | None = None  # numbers of wind-off runs
    zero_after: str | None = None
    yaw_rad: float = 0.0
    rotation: Rotation = field(default_factory=Rotation)  # the campaign's where a sheet is silent
    bounds: CorrectionBounds = field(default_factory=CorrectionBounds)  # likewise
    excitation: Excitation | None = None  # of a wind-off run: it gives no zero and no noise
    note: str | None = None
    stated: Mapping[str, Any] = field(default_factory=dict, compare=False)  # the sheet's words
    balance: Balance | None = None  # where loads stand in `channels` in place of its bridges
    logged: tuple[Channel, ...] = ()  # what the sheet states; `channels` where there is no balance
    # Folder where recordings are kept as they were read; None: each time the recording itself.
    cache: Path | None = field(default=None, compare=False)
    fills_cache: bool = field(default=True, compare=False)  # with what is not in it

    def __post_init__(self) -> None:
        if not self.logged:
            object.__setattr__(self, "logged", self.channels)

    @property
    def zero_runs(self) -> tuple[str, ...]:
        """Numbers of the wind-off runs that it names, each once."""
        both = (self.zero_before, self.zero_after)
        return tuple(dict.fromkeys(number for number in both if number))

    def open(
        self,
        zeros: Mapping[str, ZeroReading] | None = None,
        *,
        checked: bool = True,
        ahead: bool = True,
    ) -> Record:
        """Open the recording and read its first lines.

        `zeros` holds wind-off readings by run number; without them no zero is removed. Unchecked,
        the samples are the same, and nothing is found about them. The next block is read meanwhile,
        in a thread of its own, unless not `ahead`.

        Raises RecordingError where no reader takes the file or it is not as the sheet says.
        """
        return Record(self, zeros or {}, checked=checked, ahead=ahead)


class Record:
    """One pass over a recording: calibrated SI blocks, checked and counted on the way.

    Findings, provenance, number of samples and measured rate are known after the last block;
    earlier they raise RecordUseError.
    """

    def __init__(
        self,
        run: Run,
        zeros: Mapping[str, ZeroReading],
        *,
        checked: bool = True,
        ahead: bool = True,
    ) -> None:
        from ingest.checks import RecordChecks  # loads the readers' libraries

        self.run = run
        self.channels = run.channels
        columns = [channel.column for channel in run.logged]
        self._recording = _opened(run, columns)
        self.sample_rate_hz = self._recording.rate_hz
        self.expected_samples = self._recording.expected_samples
        self.reader = self._recording.reader  # which took the file
        self._logged_hz = tuple(map(self._recording.logged_rate_hz, columns))
        self._checks = RecordChecks(run.logged, self._logged_hz)
        self._checked, self._ahead = checked, ahead
        self._filler = GapFiller(len(run.logged))
        self._zero, self._zero_findings = self._zeros(zeros)
        self._logged_sum = np.zeros(len(run.logged))
        self._balance = (
            BalanceStream(run, run.balance, self.sample_rate_hz) if run.balance else None
        )
        self._flow = [i for i, c in enumerate(run.channels) if c.measures in FLOW_CONDITIONS]
        self._flow_sum = np.zeros(len(self._flow))
        self._started = False
        self._n_samples: int | None = None

    def _zeros(
        self, zeros: Mapping[str, ZeroReading]
    ) -> tuple[ZeroLine | None, tuple[Finding, ...]]:
        run = self.run
        before, after = (zeros.get(n) if n else None for n in (run.zero_before, run.zero_after))
        line, findings = zero_line(RunClock(run.number, run.started), run.logged, before, after)
        if line is None and run.kind == "wind-on" and any(map(has_zero, run.logged)):
            bent = run.balance is not None and bool(run.balance.terms)
            also = ", and the balance's terms that are not linear are taken about them"
            findings = (
                Finding(
                    "warning" if bent else "note",
                    "zero-none",
                    run.number,
                    None,
                    "no wind-off zero was removed; mean values hold the sensors' own zeros"
                    + (also if bent else ""),
                    "name wind-off runs as zero_before and zero_after",
                ),
            )
        return line, findings

    def blocks(self) -> Iterator[NDArray[np.float64]]:
        """Calibrated samples (n_channels, n) in SI, zeros removed, gaps filled; once only.

        Raises RecordUseError at a second call, and RecordingError from the iterator where the
        recording is damaged.
        """
        if self._started:
            raise RecordUseError(
                f"the record of run {self.run.number} was already read; open the run again"
            )
        self._started = True
        return self._stream()

    def _stream(self) -> Generator[NDArray[np.float64]]:
        n = 0
        for block in self._balanced():
            n += block.shape[1]
            if self._flow:
                self._flow_sum += block[self._flow].sum(axis=1)
            yield block
        self._n_samples = n

    def _balanced(self) -> Iterator[NDArray[np.float64]]:
        """Blocks of the run's channels, loads in place of the bridges of its balance."""
        if self._balance is None:
            yield from self._zeroed()
            return
        for block in self._zeroed():
            yield from self._balance.push(block)
        yield from self._balance.finish()

    def _zeroed(self) -> Iterator[NDArray[np.float64]]:
        """Blocks of the logged channels, zeros removed."""
        n = 0
        for block in self._filled():
            self._logged_sum += block.sum(axis=1)
            if self._zero is not None:
                block -= self._zero.at(self._time_s(n, block.shape[1]))
            n += block.shape[1]
            yield block

    def _filled(self) -> Iterator[NDArray[np.float64]]:
        """Calibrated blocks without gaps."""
        try:
            for raw in self._raw():
                n_missing = sum(self._check(raw, i) for i in range(len(raw.samples)))
                is_whole = n_missing == 0 and raw.logged is None
                yield from self._filler.push(raw.samples, is_whole=is_whole)
            yield from self._filler.finish()
        except EndlessLeadingGapError as error:
            raise self._endless_gap(self.run.logged[error.channel]) from error

    def _check(self, raw: RawBlock, index: int) -> int:
        """Check one channel's samples, then calibrate them in place; how many are missing."""
        channel, samples = self.run.logged[index], raw.samples[index]
        logged = samples if raw.logged is None else raw.logged[index]
        if self._checked:
            n_missing = self._checks.feed_channel(index, logged)
        else:
            n_missing = int((~np.isfinite(logged)).sum())
        if channel.scale != 1.0:
            samples *= channel.scale
        samples += channel.offset
        return n_missing

    def _raw(self) -> Iterator[RawBlock]:
        """As the recording has them.

        Reading waits for disks and lets other threads work; checks are many small steps, which
        threads of their own made slower (by a fifth to a quarter on two cores).
        """
        blocks = self._blocks()
        return reading_ahead(blocks) if self._ahead else blocks

    def _blocks(self) -> Generator[RawBlock]:
        yield from self._recording.blocks([channel.column for channel in self.run.logged])

    def _endless_gap(self, channel: Channel) -> RecordingError:
        return RecordingError(
            self.run.recordings[0],
            f"column {channel.column}",
            "has no sample to begin with for longer than a gap can be bridged",
            "start later with [sampling] from, or remove the channel from the run sheet",
        )

    def _time_s(self, first: int, n: int) -> NDArray[np.float64]:
        """Times of n samples after the run's start."""
        time_s: NDArray[np.float64] = (first + np.arange(n)) / self.sample_rate_hz
        return time_s + (self.run.clock.from_s or 0.0)

    @property
    def reach_hz(self) -> dict[str, float]:
        """By a channel's name, the highest frequency that its sampling lets through."""
        logged = {one.name: self._recording.reach_hz(one.column) for one in self.run.logged}
        return {c.name: min(logged[name] for name in c.made_of or (c.name,)) for c in self.channels}

    @property
    def slowest_logged_hz(self) -> float:
        """Of the rates at which the channels were logged, the lowest."""
        return min(self._logged_hz)

    @property
    def n_samples(self) -> int:
        """Samples per channel."""
        return self._after_the_end()

    def _after_the_end(self) -> int:
        """Number of samples; refuses to answer before all of them have passed."""
        if self._n_samples is None:
            raise RecordUseError(
                f"results of run {self.run.number} are known only after its last block"
            )
        return self._n_samples

    @property
    def duration_s(self) -> float:
        """Length of the record."""
        return self.n_samples / self.sample_rate_hz

    @property
    def measured_rate_hz(self) -> float:
        """Sample rate over the whole record; the stated one where there are no time stamps.

        Of resampled channels the one they were brought to.
        """
        if self.n_samples < 2 or self.run.clock.resample_to_hz is not None:
            return self.sample_rate_hz
        return self._recording.clock.measured_rate_hz

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the checks, the flow's means and the zeros have to say."""
        if self.n_samples == 0:
            return self._zero_findings
        found = self._checks.findings(self.run.number, self._recording.clock)
        for rate_hz, clock in self._recording.slower_clocks:
            found += tuple(clock_findings(clock, self.run.number, rate_hz))
        in_file = (self._recording.rate_in_file_hz(channel.column) for channel in self.run.logged)
        rates = zip(self._logged_hz, in_file, strict=True)
        found += tuple(rate_in_file_findings(self.run.number, rates))
        names = (self.channels[index].name for index in self._flow)
        means = dict(zip(names, (self._flow_sum / self.n_samples).tolist(), strict=True))
        loads = self._balance.findings() if self._balance else ()
        return (*found, *flow_findings(self.run, means), *loads, *self._zero_findings)

    @property
    def provenance(self) -> Provenance:
        """Source and steps; complete, since it is known only after success."""
        self._after_the_end()
        return Provenance(
            files=tuple(map(SourceFile, self.run.sources, self._recording.sha256)),
            reader=self._recording.reader,
            sheet=self.run.stated,
            steps=self._steps(),
        )

    def _steps(self) -> tuple[Step, ...]:
        filled = {
            channel.name: int(n)
            for channel, n in zip(self.run.logged, self._filler.filled, strict=True)
            if n
        }
        steps = [
            step("read", file=asdict(self.run.file_options), clock=asdict(self.run.clock)),
            step("calibrate", channels={c.name: _calibration(c) for c in self.run.logged}),
        ]
        if self.run.clock.resample_to_hz is not None:
            steps.insert(1, step("resample", **self._resampling(self.run.clock.resample_to_hz)))
        if filled:
            steps.append(step("fill missing samples", method="linear", samples=filled))
        if self._zero is not None:
            steps.append(step("remove wind-off zero", **self._zero_settings(self._zero)))
        if self._balance is not None:
            steps.append(self._balance.step())
        return tuple(steps)

    def _resampling(self, to_hz: float) -> dict[str, Any]:
        """The common rate, and the channels that were logged at another."""
        return {
            "to_hz": to_hz,
            "method": "Kaiser-windowed sinc, 80 dB",
            "channels": {
                channel.name: {
                    "logged_hz": logged_hz,
                    "passes_to_hz": self._recording.reach_hz(channel.column),
                }
                for channel, logged_hz in zip(self.run.logged, self._logged_hz, strict=True)
                if logged_hz != to_hz
            },
        }

    def _zero_settings(self, zero: ZeroLine) -> dict[str, Any]:
        """Runs used, and zeros at the first and the last sample by channel."""
        ends_s = self._time_s(0, 1)[0] + np.array([0.0, self.duration_s])
        values = np.broadcast_to(zero.at(ends_s), (len(self.run.logged), 2))
        return {
            "runs": zero.runs,
            "method": "linear in time" if np.ptp(values, axis=1).any() else "constant",
            "first_and_last": {
                channel.name: (float(first), float(last))
                for channel, (first, last) in zip(self.run.logged, values, strict=True)
                if has_zero(channel)
            },
        }

    def zero_reading(self) -> ZeroReading:
        """This record as a wind-off zero, from the means of all it logged; known at its end."""
        n, started = self.n_samples, self.run.started
        middle_s = (self.run.clock.from_s or 0.0) + 0.5 * n / self.sample_rate_hz
        names = (channel.name for channel in self.run.logged)
        means = (self._logged_sum / max(n, 1)).tolist()
        return ZeroReading(
            run=self.run.number,
            at=started + timedelta(seconds=middle_s) if started else None,
            means=dict(zip(names, means, strict=True)),
        )


def _opened(run: Run, columns: list[str | int]) -> Recording:
    if run.cache is None:
        from ingest.readers import open_recording

        return open_recording(run.recordings, run.file_options, run.clock, columns)
    from ingest.cache_keys import asked_by
    from ingest.recording_cache import open_kept

    return open_kept(asked_by(run, run.cache), fills=run.fills_cache)


def _calibration(channel: Channel) -> dict[str, Any]:
    return {"scale": channel.scale, "offset": channel.offset, "unit": channel.unit}
