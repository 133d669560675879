"""What memory a run takes while it is read and after, and the bound on that of all together."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from buffet.one_pass import LOOKAHEAD_SAMPLES, MOST_FORCE_VALUES, crossed
from buffet.one_run import Reading, RunRead
from buffet.spectral.decimated import MOST_VALUES
from buffet.spectral.tapers import MOST_SAMPLES
from ingest import USABLE_SHARE_OF_CUTOFF, IngestError, Run, StoredRun

DOUBLE, SINGLE = 8, 4
# Of what is free, for workers and what they give back; the rest is for what follows on the runs
# and for whoever else uses the machine (engineering judgement).
SHARE_OF_FREE = 0.5
WITHOUT_ANY_WORD_BYTES = 4e9  # where the system does not say what is free
# A worker with its libraries, and what readers hold whatever a recording's length (measured).
PROCESS_BYTES = 90e6
READER_BYTES = 70e6
# Draws of blocks, one a family of quantities and wind-off run, and all that is no array (measured).
RESAMPLING_BYTES = 1.5e6
# Values that a byte of a recording holds: deflated counts of the demo have two.
MOST_VALUES_PER_BYTE = 2.0
USUAL_RATE_HZ = 1000.0  # where no sheet states one and the file is not asked


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
    this and, once it is packed, as much again. Of six shapes of records, up to 64 channels and
    600 000 samples, 1.05 to 1.6 times what workers took at most.
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
    floors = sum(number in off for number in {run.zero_before, run.zero_after})
    kept = RESAMPLING_BYTES + DOUBLE * values * (spectra + (1 + floors) * reduced)
    zeros = floors * DOUBLE * values * spectra
    held = 2 * DOUBLE * min(samples * n, LOOKAHEAD_SAMPLES)
    keeps = reading.settings.keeps
    if "copy" in keeps or "forces" in keeps:
        most = MOST_VALUES if "copy" in keeps else MOST_FORCE_VALUES
        kept += SINGLE * min(samples * n, most)
    if "matrix" in keeps:
        kept += DOUBLE * n * n * passed * segment / 2
    if "tapers" in keeps:
        held += 4 * DOUBLE * n * min(samples, MOST_SAMPLES)
    return Needs(READER_BYTES + held + 2 * kept + zeros, kept)


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


class Budget:
    """Who may begin: what runs and what is kept stay below a bound, but one may always."""

    def __init__(self, bound_bytes: float, count: int) -> None:
        self._bound, self._count = bound_bytes, count
        self._used = 0.0

    @property
    def alone(self) -> Needs:
        """Of a run that is to have all."""
        return Needs(self._bound, 0.0)

    @property
    def little_bytes(self) -> float:
        """What a run may take without a closer look: of a worker's part a quarter."""
        return self._bound / self._count / 4

    def admits(self, needs: Needs, working: int) -> bool:
        """Whether a run may begin beside those that are being read."""
        if working == 0:
            return True
        return working < self._count and self._used + _total(needs) <= self._bound

    def begin(self, needs: Needs) -> None:
        """It does."""
        self._used += _total(needs)

    def end(self, needs: Needs, kept_bytes: float) -> None:
        """It is done; what it gave stays."""
        self._used -= _total(needs) - kept_bytes


def _total(needs: Needs) -> float:
    return PROCESS_BYTES + needs.working + needs.kept


def bound_bytes(asked: float | None) -> float:
    """What was asked, or a share of what is free."""
    return asked if asked is not None else SHARE_OF_FREE * _free_bytes()


def _free_bytes() -> float:
    """Of this machine, and of the group of processes that we are in where it has a limit."""
    free = [one for one in (_system_free(), _group_free()) if one is not None]
    return min(free, default=WITHOUT_ANY_WORD_BYTES)


def _system_free() -> float | None:
    with suppress(OSError, ValueError, StopIteration):
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        return 1024.0 * int(next(one for one in lines if one.startswith("MemAvailable")).split()[1])
    with suppress(AttributeError, OSError, ValueError):
        return float(os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return None


def _group_free() -> float | None:
    group = Path("/sys/fs/cgroup")
    with suppress(OSError, ValueError):
        most, used = (int((group / f"memory.{n}").read_text()) for n in ("max", "current"))
        return float(max(most - used, 0))
    return None
