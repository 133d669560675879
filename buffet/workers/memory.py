"""What memory a run takes while it is read and after, and the bound on that of all together."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

from buffet.one_pass import LOOKAHEAD_SAMPLES, MOST_FORCE_VALUES, crossed
from buffet.one_run import Reading, RunRead
from buffet.spectral.decimated import MOST_VALUES
from buffet.spectral.segments import BATCH_SAMPLES
from buffet.spectral.tapers import MOST_SAMPLES
from buffet.workers.free_memory import free_bytes
from ingest import USABLE_SHARE_OF_CUTOFF, IngestError, Run, StoredRun

DOUBLE, SINGLE = 8, 4
# Of what is free, for workers; the rest is for what they give back, for what follows on the runs
# and for whoever else uses the machine (engineering judgement).
SHARE_OF_FREE = 0.5
# A worker with its libraries, and what readers hold whatever a recording's length (measured).
PROCESS_BYTES = 90e6
READER_BYTES = 70e6
# Draws of blocks, one a family of quantities and wind-off run, and all that is no array (measured).
RESAMPLING_BYTES = 1.5e6
# Values that a byte of a recording holds: deflated counts of the demo have two.
MOST_VALUES_PER_BYTE = 2.0
# Samples of each channel that live while a record is read, whatever its length: two batches, of
# which each takes half as many for its segments overlap, and what its blocks hold beyond them.
ALIVE_SAMPLES = 2 * BATCH_SAMPLES
USUAL_RATE_HZ = 1000.0  # where no sheet states one and the file is not asked

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Needs:
    """Memory of one run, in bytes."""

    working: float  # of its worker, beside `PROCESS_BYTES`
    kept: float  # of what comes back and stays


def needs_of(
    run: Run, reading: Reading, off: Mapping[str, RunRead], little_bytes: float = 0.0
) -> Needs:
    """Estimated before it is read: from channels, samples and what is kept of them.

    A file is opened to learn its length, which takes a hundredth of a second or more, where its
    size alone would let it take more than `little_bytes`.

    What stays is ruled by spectra of groups of neighbouring segments. Segments overlap by half, so
    that groups times bins are as many as samples at most, and there are at most as many groups as
    fill 64 segments; bins are kept up to where the filter lets through. Of each the channels'
    powers and the crossed channels' pairs are kept, then the same of the reduced quantities with
    the matrix of the six components, and the wind-off runs' by the same rows. The worker holds all
    this beside blocks and batches of samples, and once it is packed, as much again. Of 30 records,
    3 to 512 channels and 5 000 to 3.6 million samples in NumPy files and HDF5, 1.1 to 2.5 times
    what workers took at most; above 2 for the smallest, with tapers, and at high rates.
    """
    by_size = _needs(run, reading, off, *_length_by_size(run))
    if by_size.working <= little_bytes:
        return by_size
    return _needs(run, reading, off, *_length(run))


def _needs(
    run: Run, reading: Reading, off: Mapping[str, RunRead], samples: float, rate_hz: float
) -> Needs:
    n, n_crossed = len(run.channels), len(crossed(run.channels))
    passed = 1.0
    if run.antialias_cutoff_hz is not None:
        passed = min(1.0, USABLE_SHARE_OF_CUTOFF * run.antialias_cutoff_hz / (rate_hz / 2))
    segment = samples if reading.wanted_s is None else reading.wanted_s * rate_hz
    values = passed * min(samples, 64 * segment)
    spectra = n + n_crossed * (n_crossed - 1)
    reduced = n + 6 + 2 * min(n_crossed, 6) ** 2
    floors = sum(number in off for number in run.zero_runs)
    kept = RESAMPLING_BYTES + DOUBLE * values * (spectra + (1 + floors) * reduced)
    zeros = floors * DOUBLE * values * spectra
    held = DOUBLE * max(min(samples * n, LOOKAHEAD_SAMPLES), n * min(samples, ALIVE_SAMPLES))
    keeps = reading.settings.keeps
    if "copy" in keeps or "forces" in keeps:
        most = MOST_VALUES if "copy" in keeps else MOST_FORCE_VALUES
        kept += SINGLE * min(samples * n, most)
    if "matrix" in keeps:
        kept += DOUBLE * n * n * passed * segment / 2
    if "tapers" in keeps:
        held += 4 * DOUBLE * n * min(samples, MOST_SAMPLES)
    return Needs(READER_BYTES + max(held + kept, 2 * kept) + zeros, kept)


def _length(run: Run) -> tuple[float, float]:
    """Samples of a run and their rate, as its file's head tells, or at most by its size."""
    by_size = _length_by_size(run)
    if isinstance(run, StoredRun):  # to be opened it is fetched
        return by_size
    with suppress(IngestError, OSError):
        record = run.open()
        if record.expected_samples is not None:
            return record.expected_samples, record.sample_rate_hz
    return by_size


def _length_by_size(run: Run) -> tuple[float, float]:
    """Samples at most, and their rate."""
    sizes = run.sizes if isinstance(run, StoredRun) else _sizes(run)
    values = MOST_VALUES_PER_BYTE * sum(sizes)
    return values / max(1, len(run.logged)), run.clock.rate_hz or USUAL_RATE_HZ


def _sizes(run: Run) -> tuple[int, ...]:
    return tuple(path.stat().st_size for path in run.recordings if path.exists())


@dataclass(frozen=True)
class Bound:
    """On the memory of processes together."""

    bytes: float
    is_asked: bool  # not a share of what was free

    def __str__(self) -> str:
        size = _size(self.bytes)
        return f"the {size} of --memory" if self.is_asked else f"{size}, half of what was free"


def bound(asked_bytes: float | None) -> Bound:
    """What was asked, or a share of what is free."""
    if asked_bytes is not None:
        return Bound(asked_bytes, is_asked=True)
    return Bound(SHARE_OF_FREE * free_bytes(), is_asked=False)


class Budget:
    """Who may begin: processes that read stay below a bound together, but one may always.

    What they gave back stays, whoever waits for how long: it bounds nobody, and is told, once,
    where it no longer fits in beside them. So is a bound that leaves one process at a time.
    """

    def __init__(self, bound: Bound, count: int) -> None:
        self._bound, self._count = bound, count
        self._working = self._kept = 0.0
        self._n_kept = 0
        self._told: set[str] = set()

    @property
    def alone(self) -> Needs:
        """Of a run that is to have all."""
        return Needs(self._bound.bytes, 0.0)

    @property
    def little_bytes(self) -> float:
        """What a run may take without a closer look: of a worker's part a quarter."""
        return self._bound.bytes / self._count / 4

    def admits(self, needs: Needs, working: int) -> bool:
        """Whether a run may begin beside those that are being read."""
        fits = self._working + _taken(needs) <= self._bound.bytes
        if not fits and working < min(self._count, 2) and needs != self.alone:
            self._tell_one(needs)
        return working == 0 or (working < self._count and fits)

    def begin(self, needs: Needs) -> None:
        """It does."""
        self._working += _taken(needs)

    def end(self, needs: Needs, kept_bytes: float) -> None:
        """It is done; what it gave stays."""
        self._kept += kept_bytes
        self._n_kept += kept_bytes > 0
        most = self._bound.bytes
        if self._working <= most < self._working + self._kept:
            self._tell(
                "kept",
                f"results of {self._n_kept} runs take {_size(self._kept)} and processes "
                f"{_size(self._working)}, more than {self._bound} together; results stay until "
                "the end, so give more --memory, or read fewer runs at a time",
            )
        self._working -= _taken(needs)

    def _tell_one(self, needs: Needs) -> None:
        beside = "" if self._working == 0 else " beside another"
        self._tell(
            "one",
            f"a run that takes about {_size(_taken(needs))} to be read does not fit into "
            f"{self._bound}{beside}: it is read by itself; give more --memory to have several "
            "read at once",
        )

    def _tell(self, what: str, text: str) -> None:
        if what not in self._told:
            self._told.add(what)
            _log.warning(text)


def _taken(needs: Needs) -> float:
    return PROCESS_BYTES + needs.working


def _size(bytes_: float) -> str:
    return f"{bytes_ / 1e9:.3g} GB" if bytes_ >= 1e9 else f"{bytes_ / 1e6:.3g} MB"
