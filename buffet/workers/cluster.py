"""Runs read on a Dask cluster, one task a run.

A wind-on run's task has those of its wind-off runs as inputs, so that they go from worker to
worker, and are read again where the worker that held them is gone.
"""

from __future__ import annotations

import logging
import pickle
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Self
from uuid import uuid4

from buffet.errors import BuffetError, ClusterError
from buffet.heap import reuse_freed
from buffet.one_run import Failure, Outcome, Reading, RunRead
from buffet.workers.parcels import PROTOCOL, Shared, packed, plain, unpacked
from buffet.workers.ranges import joined_run, ranges_of, read_range, read_rest
from buffet.workers.worker import answer, outcome
from ingest import Run, StoredRun, fetching_into, package_version

if TYPE_CHECKING:
    from distributed import Client, Future

REACHED_WITHIN_S = 10
LOOKED_AFTER_S = 2.0  # how often, while nothing is done, whether there are workers
WITHOUT_WORKERS_S = 60.0  # after which nobody is expected to bring some
MORE_MEMORY = "give workers more memory, and tell us if the run is small"
# What tells of a lost scheduler in lines of its own.
CLIENT_LOGGERS = ("client", "core", "batched", "utils", "utils_comm", "comm.core", "comm.tcp")

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Common:
    """What a task goes by: an analysis of its run and zeros, for one version of the program."""

    version: str
    reading: bytes

    def opened(self) -> Reading:
        """Raises ClusterError where this is another version's worker."""
        require_version(self.version, package_version(), "a worker")
        try:
            reading: Reading = pickle.loads(self.reading)
        except (AttributeError, ImportError) as error:
            raise ClusterError(f"a worker cannot load what it is given: {error}") from error
        return reading


def require_version(wanted: str, found: str, where: str) -> None:
    """Refuse a cluster that would compute something else.

    Raises
    ------
    ClusterError
        The versions differ.
    """
    if wanted != found:
        raise ClusterError(
            f"{where} of the cluster has buffeting {found}, this is {wanted}; results would not be "
            "those of one program: install the same on all machines"
        )


def read_task(common: Common, number: str, off: Mapping[str, bytes]) -> bytes:
    """In a worker of the cluster: one run's outcome, packed; `off` holds those of its zeros."""
    from distributed import get_worker

    reading, run, known = _told(common, number, off)
    with fetching_into(get_worker().local_directory):  # which goes with the worker
        told = _not_seen(run) or outcome(reading, number, known)
    return b"".join(answer(told, Shared(reading.campaign, known)))


def range_task(
    common: Common, number: str, off: Mapping[str, bytes], place: tuple[int, int]
) -> bytes:
    """One range of a long run, packed sums; place (-1, count) stands for all that is no sum."""
    reading, run, known = _told(common, number, off)
    if _not_seen(run) is not None:
        return pickle.dumps(None)
    if place[0] < 0:
        return pickle.dumps(read_rest(reading, run, known), PROTOCOL)
    return pickle.dumps(read_range(reading, run, known, place), PROTOCOL)


def join_task(
    common: Common, number: str, off: Mapping[str, bytes], parts: Sequence[bytes]
) -> bytes:
    """A long run of its ranges, the first of which is what is no sum."""
    reading, run, known = _told(common, number, off)
    whole, *sums = map(pickle.loads, parts)
    told = _not_seen(run) or joined_run(reading, run, known, whole, sums)
    return b"".join(answer(told, Shared(reading.campaign, known)))


def _told(
    common: Common, number: str, off: Mapping[str, bytes]
) -> tuple[Reading, Run, dict[str, RunRead]]:
    """What a task works by: its run, and the wind-off runs that could be read."""
    reuse_freed()
    reading = common.opened()
    found = {zero: unpacked(data, Shared(reading.campaign, {})) for zero, data in off.items()}
    known = {zero: one for zero, one in found.items() if isinstance(one, tuple)}
    return reading, reading.campaign.run(number), known


def _not_seen(run: Run) -> Failure | None:
    """Why a worker cannot read a run that is only where the campaign was opened."""
    from distributed import get_worker

    if isinstance(run, StoredRun):
        return None
    missing = [path for path in run.recordings if not path.is_file()]
    if not missing:
        return None
    return Failure(
        run.number,
        f"worker {get_worker().address} does not see {missing[0]}; keep the campaign in a folder "
        "that all workers see at the same path, or in an object store: s3://bucket/campaign",
    )


class ClusterCrew:
    """The workers of a cluster, as long as an analysis takes."""

    def __init__(self, client: Client, reading: Reading) -> None:
        self._client = client
        self._address = str(client.scheduler.address)
        self._reading = replace(
            reading,
            campaign=plain(reading.campaign),
            settings=replace(reading.settings, workers=1),
        )
        self._runs = {run.number: run for run in reading.campaign.runs}
        self._name = f"buffet-{uuid4().hex[:12]}"
        self._off: dict[str, Future[bytes]] = {}
        self._end = ExitStack()

    def __enter__(self) -> Self:
        self._end.enter_context(_quiet())
        self._end.callback(self._client.close)
        return self

    def __exit__(self, *raised: object) -> None:
        with self._end:
            self._cancel(list(self._off.values()))

    def read(
        self, runs: Sequence[Run], off: Mapping[str, RunRead], started: Callable[[Run], None]
    ) -> Iterator[tuple[Run, Outcome]]:
        """As `Crew.read`; a run is told of when it is done, since the cluster begins them.

        Raises ClusterError where the scheduler is lost, or all workers are and none comes.
        """
        shared = Shared(self._reading.campaign, off)
        done: SimpleQueue[Future[bytes]] = SimpleQueue()
        futures: dict[Future[bytes], Run] = {}  # of runs that were not told of yet
        try:
            with self._reached(0, len(runs)):
                self._begin(runs, off, futures, done)
            for n_done in range(len(runs)):
                with self._reached(n_done, len(runs)):
                    run, outcome = self._next(done, futures, shared)
                started(run)
                yield run, outcome
        finally:
            self._cancel([one for one in futures if not one.done()])

    def _begin(
        self,
        runs: Sequence[Run],
        off: Mapping[str, RunRead],
        futures: dict[Future[bytes], Run],
        done: SimpleQueue[Future[bytes]],
    ) -> None:
        workers = sum(self._client.nthreads().values())
        for run in runs:
            future = self._submitted(run, off, ranges_of(run, len(runs), workers))
            futures[future] = run
            future.add_done_callback(done.put)
            if run.kind == "wind-off":
                self._off[run.number] = future

    def _next(
        self, done: SimpleQueue[Future[bytes]], futures: dict[Future[bytes], Run], shared: Shared
    ) -> tuple[Run, Outcome]:
        """The next that is done; the cluster forgets it, unless others need it."""
        left_at_s: float | None = None
        while True:
            with suppress(Empty):
                future = done.get(timeout=LOOKED_AFTER_S)
                run = futures.pop(future)
                return run, self._outcome(run, future, shared)
            now_s = time.monotonic()
            if self._client.nthreads():
                left_at_s = None
            elif left_at_s is None:
                left_at_s = now_s
                _log.warning(
                    "the cluster at %s has lost all workers; %.0f s are waited for others",
                    *(self._address, WITHOUT_WORKERS_S),
                )
            elif now_s - left_at_s >= WITHOUT_WORKERS_S:
                raise ClusterError(
                    f"the cluster at {self._address} lost all workers, and none came within "
                    f"{WITHOUT_WORKERS_S:g} s; start some with `dask worker {self._address}`"
                )

    @contextmanager
    def _reached(self, n_done: int, n_runs: int) -> Iterator[None]:
        """What a client says when its scheduler is gone, as one error; tasks return theirs."""
        try:
            yield
        except BuffetError:
            raise
        except Exception as error:  # a client that has given up says it in many ways
            if not isinstance(error, CancelledError | OSError) and self._client.status != "closed":
                raise
            raise ClusterError(
                f"the scheduler at {self._address} was lost, or dropped its tasks, after {n_done} "
                f"of {n_runs} runs; start it again and repeat"
            ) from error

    def _cancel(self, futures: Sequence[Future[bytes]]) -> None:
        if self._client.status != "closed":
            with suppress(CancelledError, OSError):  # there is no scheduler any more
                self._client.cancel(futures, force=True)

    def _submitted(self, run: Run, off: Mapping[str, RunRead], count: int) -> Future[bytes]:
        zeros = {
            number: self._zero(number, off[number]) for number in run.zero_runs if number in off
        }
        told = self._common(run), run.number, zeros
        key = f"{self._name}-{run.number}"
        if count == 1:
            return self._client.submit(read_task, *told, key=key)
        parts = [
            self._client.submit(range_task, *told, (index, count), key=f"{key}-{index}")
            for index in range(-1, count)
        ]
        return self._client.submit(join_task, *told, parts, key=key)

    def _common(self, run: Run) -> Common:
        """Without the other runs, which every task would open again."""
        own = (*run.zero_runs, run.number)
        sheets = tuple(self._runs[number] for number in own if number in self._runs)
        campaign = replace(self._reading.campaign, runs=sheets, files=(), waiting_runs=())
        reading = replace(self._reading, campaign=campaign)
        return Common(package_version(), pickle.dumps(reading, PROTOCOL))

    def _zero(self, number: str, read: RunRead) -> Future[bytes]:
        """A wind-off run on the cluster: where it was read, or sent from here."""
        if number not in self._off:
            data = packed(read, Shared(self._reading.campaign, {}))
            key = f"{self._name}-{number}"
            self._off[number] = self._client.submit(lambda: data, key=key)
        return self._off[number]

    def _outcome(self, run: Run, future: Future[bytes], shared: Shared) -> Outcome:
        from distributed import KilledWorker

        try:
            found: Outcome = unpacked(future.result(), shared)
        except KilledWorker:
            why = "workers of the cluster ended while they read it, one after another"
            return Failure(run.number, f"{why}; {MORE_MEMORY}")
        except MemoryError:
            return Failure(run.number, f"its worker ran out of memory; {MORE_MEMORY}")
        return found


def cluster_crew(address: str, reading: Reading) -> ClusterCrew:
    """The cluster at this address, of the same version throughout.

    Raises
    ------
    ClusterError
        Dask is not installed, nobody answers there, no worker is up, or versions differ.
    """
    client = _client(address)
    try:
        _require_workers(client, address)
        return ClusterCrew(client, reading)
    except BaseException:
        client.close()
        raise


def _client(address: str) -> Client:
    try:
        from distributed import Client
        from distributed.comm.addressing import get_address_host_port, parse_address
        from distributed.comm.registry import get_backend
    except ModuleNotFoundError as error:
        raise ClusterError(
            f'{error.name} is missing; install it with: pip install "buffeting[cluster]"'
        ) from error
    try:
        scheme, _ = parse_address(address)
        get_backend(scheme)
        if scheme != "inproc":
            get_address_host_port(address)
    except (ValueError, TypeError) as error:
        raise ClusterError(
            f"{address!r} is no address of a Dask scheduler ({error}); give it as tcp://HOST:8786"
        ) from error
    try:
        with _quiet():
            return Client(address, timeout=REACHED_WITHIN_S, set_as_default=False)
    except OSError as error:
        raise ClusterError(
            f"no Dask scheduler answers at {address}; start one with `dask scheduler`, and workers "
            f"with `dask worker {address}`"
        ) from error


@contextmanager
def _quiet() -> Iterator[None]:
    """What Dask logs of a lost connection is told by us."""
    loggers = [logging.getLogger(f"distributed.{name}") for name in CLIENT_LOGGERS]
    before = [one.disabled for one in loggers]
    for one in loggers:
        one.disabled = True
    try:
        yield
    finally:
        for one, was in zip(loggers, before, strict=True):
            one.disabled = was


def _version_here() -> str:
    """Of the program, on whichever machine this runs."""
    return package_version()


def _require_workers(client: Client, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=REACHED_WITHIN_S)
    except TimeoutError as error:
        raise ClusterError(
            f"the cluster at {address} has no workers; start some with `dask worker {address}`"
        ) from error
    found: dict[str, Any] = client.run(_version_here, on_error="return")
    for worker, version in found.items():
        if isinstance(version, BaseException):
            raise ClusterError(
                f"worker {worker} of the cluster cannot load this program: {version}; install the "
                "same on all machines"
            )
        require_version(package_version(), version, f"worker {worker}")
