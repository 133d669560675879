"""Uploads and analyses under way while the server is killed; then everything acknowledged is there.

What a client was answered is its promise: a 2xx means that the content is on disk whatever dies.
"""

from __future__ import annotations

import hashlib
import io
import random
import tempfile
import threading
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from buffet.service.settings import Places, ServiceSettings
from tests.buffet.campaigns import CAMPAIGN, changed, lift_run, two_configurations
from tests.buffet.service.process import Server
from tests.buffet.service.served import serving, zipped
from tests.ingest.campaigns import toml

SECONDS = 2.0
LONGEST_S = 4.0  # between two kills
MOST_DEATHS = 2  # of workers under one job, which may have three attempts
MOST_JOBS = 3  # that are started between two kills
PATIENCE_S = 120.0
REQUESTS: tuple[dict[str, Any], ...] = (
    {"kind": "check"},
    {"kind": "export", "run": "1", "suffix": "csv"},
    {"kind": "export", "run": "2", "suffix": "csv"},
)
Digests = dict[str, str]


@dataclass
class Promised:
    """What was acknowledged."""

    campaigns: dict[int, Digests] = field(default_factory=dict)
    archives: dict[int, bytes] = field(default_factory=dict)
    jobs: dict[int, tuple[int, dict[str, Any]]] = field(default_factory=dict)
    tally: Counter[str] = field(default_factory=Counter)
    number: int = 10  # of the last campaign or run that was sent


def digest(data: bytes) -> str:
    """As the service names content."""
    return hashlib.sha256(data).hexdigest()


def digests_of(archive: bytes) -> Digests:
    """Of an archive's files."""
    packed = zipfile.ZipFile(io.BytesIO(archive))
    return {name: digest(packed.read(name)) for name in packed.namelist()}


def archive_of(number: int) -> bytes:
    """A small campaign that no other one is like."""
    title = changed(CAMPAIGN, ("campaign", "title"), f"Tails {number}")
    with tempfile.TemporaryDirectory() as folder:
        return zipped(two_configurations(Path(folder) / "campaign", SECONDS, campaign=title))


class Clients:
    """Threads that send until the server is gone."""

    def __init__(self, address: str, promised: Promised) -> None:
        self.promised = promised
        self.client = httpx.Client(base_url=address, headers={"Origin": address}, timeout=60.0)
        self.stopping = threading.Event()
        self.errors: list[BaseException] = []
        steps = (self.upload, self.add_run, self.start_job)
        self.threads = [threading.Thread(target=self.until_gone, args=(one,)) for one in steps]
        for thread in self.threads:
            thread.start()

    def until_gone(self, step: Callable[[], None]) -> None:
        """One thread."""
        while not self.stopping.is_set():
            try:
                step()
            except httpx.TransportError:
                time.sleep(0.01)
            except BaseException as error:
                self.errors.append(error)
                return

    def upload(self) -> None:
        """A campaign."""
        self.promised.number += 1
        archive = archive_of(self.promised.number)
        kind = {"Content-Type": "application/zip"}
        answer = self.client.post("/api/campaigns", content=archive, headers=kind)
        assert answer.status_code == 201, answer.text
        campaign_id = answer.json()["campaign"]["id"]
        assert campaign_id not in self.promised.campaigns
        self.promised.archives[campaign_id] = archive
        self.promised.campaigns[campaign_id] = digests_of(archive)
        self.promised.tally["campaigns"] += 1

    def add_run(self) -> None:
        """To the newest campaign of an odd number."""
        grown = [one for one in list(self.promised.campaigns) if one % 2]
        if not grown:
            time.sleep(0.05)
            return
        campaign_id = max(grown)
        self.promised.number += 1
        number = str(self.promised.number)
        run = lift_run(number, 0.02, "lip", SECONDS)
        files = {f"{number}.toml": toml(run.sheet()), f"{number}.csv": run.recording()}
        parts = [
            (part, (name, text, "text/plain"))
            for part, (name, text) in zip(("sheet", "recording"), files.items(), strict=True)
        ]
        answer = self.client.post(f"/api/campaigns/{campaign_id}/runs", files=parts)
        assert answer.status_code == 201, answer.text
        kept = {f"runs/{name}": digest(text.encode()) for name, text in files.items()}
        self.promised.campaigns[campaign_id] |= kept
        self.promised.tally["runs"] += 1

    def start_job(self) -> None:
        """Of a campaign of an even number, which stays as it was sent."""
        wanted = [one for one in sorted(self.promised.archives) if one % 2 == 0]
        begun = {(one, str(request)) for one, request in self.promised.jobs.values()}
        free = [
            (one, request)
            for one in wanted
            for request in REQUESTS
            if (one, str(request)) not in begun
        ]
        unfinished = [
            job_id
            for job_id in self.promised.jobs
            if self.client.get(f"/api/jobs/{job_id}").json()["state"] in ("queued", "running")
        ]
        if not free or len(unfinished) >= MOST_JOBS:
            time.sleep(0.1)
            return
        campaign_id, request = free[0]
        answer = self.client.post(f"/api/campaigns/{campaign_id}/jobs", json=request)
        assert answer.status_code in (200, 202), answer.text
        self.promised.jobs[answer.json()["id"]] = (campaign_id, request)
        self.promised.tally["jobs"] += 1

    def join(self) -> None:
        """After the server is gone; raises what a thread met beside that."""
        self.stopping.set()
        for thread in self.threads:
            thread.join(timeout=PATIENCE_S)
        self.client.close()
        if self.errors:
            raise self.errors[0]


def kill_many(
    settings: ServiceSettings, kills: int, seed: int, longest_s: float = LONGEST_S
) -> Counter[str]:
    """Kill a server so often at random moments; what was done and checked.

    Workers are killed beside it, but under no job so often that it fails.
    """
    chance, promised = random.Random(seed), Promised()
    for _ in range(kills):
        server = Server.of(settings)
        try:
            require_kept(settings, server.address, promised, whole=False)
            clients = Clients(server.address, promised)
            time.sleep(chance.uniform(0.2, longest_s))
            if chance.random() < 0.5 and may_die(server.address):
                promised.tally["workers killed"] += server.kill_workers()
                time.sleep(chance.uniform(0.0, 1.0))
        finally:
            server.kill()
        clients.join()
        promised.tally["servers killed"] += 1
    server = Server.of(settings)
    try:
        require_kept(settings, server.address, promised, whole=True)
        require_done(server.address, promised)
    finally:
        server.stop()
    require_whole_content(settings.places)
    return promised.tally


def may_die(address: str) -> bool:
    """Whether no job has lost so many workers that the next one would end it."""
    jobs = httpx.get(f"{address}/api/jobs", params={"state": "running"}).json()["items"]
    return all(job["attempts"] <= MOST_DEATHS for job in jobs)


def require_whole_content(places: Places) -> None:
    """Every file is what its name says, and nothing else is there."""
    for path in places.blobs.glob("??/*"):
        assert digest(path.read_bytes()) == path.name
    assert not list(places.folder.rglob("*.tmp"))


def require_kept(
    settings: ServiceSettings, address: str, promised: Promised, *, whole: bool
) -> None:
    """All that was promised is there, and nothing in part; with `whole` it is read back."""
    places = settings.places
    assert list(places.incoming.iterdir()) == []
    require_whole_content(places)
    with httpx.Client(base_url=address, timeout=60.0) as client:
        listed, more = [], "/api/campaigns?limit=200"
        while more:
            page = client.get(more).json()
            listed, more = [*listed, *page["items"]], page["next"]
        ids = [one["id"] for one in listed]
        assert len(set(ids)) == len(ids)
        assert set(promised.campaigns) <= set(ids)
        for one in listed:
            files = {f["name"]: f["sha256"] for f in client.get(f"{one['address']}/files").json()}
            assert promised.campaigns.get(one["id"], {}).items() <= files.items()
            require_complete(client, one["address"], files)
            if whole:
                require_read_back(client, one["address"], files)
                promised.tally["files read back"] += len(files)
        for job_id in promised.jobs:
            assert client.get(f"/api/jobs/{job_id}").status_code == 200


def require_complete(client: httpx.Client, address: str, files: Digests) -> None:
    """No run of a campaign lacks a file."""
    runs = client.get(f"{address}/runs?limit=200").json()["items"]
    named = {name for run in runs for name in (run["sheet"], *run["recordings"])}
    assert named | {"campaign.toml"} == set(files)


def require_read_back(client: httpx.Client, address: str, files: Digests) -> None:
    """Every byte."""
    for name, sha256 in files.items():
        answer = client.get(f"{address}/files/{sha256}")
        assert digest(answer.content) == sha256, name


def require_done(address: str, promised: Promised) -> None:
    """Every job ends as one that nobody disturbed, to the byte."""
    results: dict[tuple[int, str], bytes] = {}
    with httpx.Client(base_url=address, timeout=60.0) as client:
        for job_id, (campaign_id, request) in promised.jobs.items():
            until, job = time.monotonic() + PATIENCE_S, {"state": "queued"}
            while job["state"] in ("queued", "running"):
                assert time.monotonic() < until, job
                time.sleep(0.05)
                job = client.get(f"/api/jobs/{job_id}").json()
            assert job["state"] == "done", job
            answer = client.get(f"/api/jobs/{job_id}/result")
            results[campaign_id, str(request)] = answer.content
    for (campaign_id, request), found in results.items():
        assert undisturbed(promised.archives[campaign_id], request) == found
        promised.tally["results compared"] += 1


_UNDISTURBED: dict[tuple[bytes, str], bytes] = {}


def undisturbed(archive: bytes, request: str) -> bytes:
    """What the same analysis gives in a service that nobody disturbs."""
    if (archive, request) not in _UNDISTURBED:
        with (
            tempfile.TemporaryDirectory() as folder,
            serving(ServiceSettings(Path(folder))) as served,
        ):
            assert served.upload(archive).status_code == 201
            for asked in REQUESTS:
                job = served.ended(served.post("/api/campaigns/1/jobs", asked).json())
                content = served.client.get(job["result"]).content
                _UNDISTURBED[archive, str(asked)] = content
    return _UNDISTURBED[archive, request]
