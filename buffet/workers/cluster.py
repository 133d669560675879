"""Runs read on a Dask cluster, one task a run.

A wind-on run's task has those of its wind-off runs as inputs, so that they go from worker to
worker, and are read again where the worker that held them is gone.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Self
from uuid import uuid4

from buffet.errors import ClusterError
from buffet.one_run import Failure, Outcome, Reading, RunRead
from buffet.workers.parcels import PROTOCOL, Shared, packed, plain, unpacked
from buffet.workers.ranges import joined_run, ranges_of, read_range, read_rest
from buffet.workers.worker import answer, outcome
from ingest import Run, StoredRun, package_version

if TYPE_CHECKING:
    from distributed import Client, Future

REACHED_WITHIN_S = 10
MORE_MEMORY = "give workers more memory, and tell us if the run is small"


@dataclass(frozen=True)
class Common:
    """What all tasks of an analysis share, readable by one version of the program."""

    version: str
    reading: bytes

    def opened(self) -> Reading:
        """Raises ClusterError where this is another version's worker."""
        require_version(self.version, package_version(), "a worker")
        reading: Reading = pickle.loads(self.reading)
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
    reading, run, known = _told(common, number, off)
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
        self._reading = replace(
            reading,
            campaign=plain(reading.campaign),
            settings=replace(reading.settings, workers=1),
        )
        self._name = f"buffet-{uuid4().hex[:12]}"
        common = Common(package_version(), pickle.dumps(self._reading, PROTOCOL))
        self._common = client.submit(lambda: common, key=f"{self._name}-common")
        self._off: dict[str, Future[bytes]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self._client.cancel([self._common, *self._off.values()], force=True)
        self._client.close()

    def read(
        self, runs: Sequence[Run], off: Mapping[str, RunRead], started: Callable[[Run], None]
    ) -> Iterator[tuple[Run, Outcome]]:
        """As `Crew.read`; a run is told of when it is done, since the cluster begins them."""
        from distributed import as_completed

        shared = Shared(self._reading.campaign, off)
        workers = sum(self._client.nthreads().values())
        futures = {
            self._submitted(run, off, ranges_of(run, len(runs), workers)): run for run in runs
        }
        self._off |= {run.number: one for one, run in futures.items() if run.kind == "wind-off"}
        try:
            for future in as_completed(futures, loop=self._client.loop):
                run = futures[future]
                started(run)
                yield run, self._outcome(run, future, shared)
        finally:
            self._client.cancel([one for one in futures if not one.done()], force=True)

    def _submitted(self, run: Run, off: Mapping[str, RunRead], count: int) -> Future[bytes]:
        named = {number for number in (run.zero_before, run.zero_after) if number in off}
        zeros = {number: self._zero(number, off[number]) for number in sorted(map(str, named))}
        told = self._common, run.number, zeros
        key = f"{self._name}-{run.number}"
        if count == 1:
            return self._client.submit(read_task, *told, key=key)
        parts = [
            self._client.submit(range_task, *told, (index, count), key=f"{key}-{index}")
            for index in range(-1, count)
        ]
        return self._client.submit(join_task, *told, parts, key=key)

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
    except ModuleNotFoundError as error:
        raise ClusterError(
            f'{error.name} is missing; install it with: pip install "buffeting[cluster]"'
        ) from error
    try:
        return Client(address, timeout=REACHED_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise ClusterError(
            f"no Dask scheduler answers at {address}; start one with `dask scheduler`, and workers "
            f"with `dask worker {address}`"
        ) from error


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
