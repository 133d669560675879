"""A service on a small disk of its own that fills up and is given room again; wants root."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

from buffet.service.settings import ServiceSettings
from tests.buffet.service.killing import (
    Promised,
    archive_of,
    digests_of,
    require_done,
    require_kept,
)
from tests.buffet.service.process import Server

SIZE_MIB = 320
RESERVE_MIB = 256  # that uploads leave free
LEFT_BYTES = 300_000  # beside what fills the disk: some campaigns


@contextmanager
def small_disk() -> Iterator[Path]:
    """In memory; gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="buffet-disk-") as folder:
        mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MIB}m", "tmpfs", folder]
        subprocess.run(mount, check=True)
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", folder], check=True)


def print_disk(n: int) -> None:
    """Fill a disk `n` times; stops where anything acknowledged is missing."""
    for number in range(n):
        with small_disk() as folder:
            told = _fill(ServiceSettings(folder / "service"), number)
        print(f"{number + 1}: {told}", flush=True)


def _fill(settings: ServiceSettings, number: int) -> str:
    server, promised, refused = Server.of(settings), Promised(), 0
    ballast = settings.folder.parent / "ballast"
    try:
        with httpx.Client(base_url=server.address, timeout=60.0) as client:
            assert _upload(client, promised, 1000 * number) == 201
            free = shutil.disk_usage(settings.folder).free - RESERVE_MIB * 2**20
            ballast.write_bytes(bytes(free - LEFT_BYTES - 50_000 * number))
            while refused < 3:
                status = _upload(client, promised, 1000 * number + len(promised.campaigns))
                assert status in (201, 507), status
                refused += status == 507
            _fill_up(ballast)
            assert _upload(client, promised, 1000 * number + 998) == 507
            asked = {"kind": "check"}
            begun = client.post("/api/campaigns/1/jobs", json=asked, headers=_own(client))
            assert begun.status_code in (202, 507), begun.text
            assert client.get("/api/campaigns/1/archive").status_code == 200
            ballast.unlink()
            assert _upload(client, promised, 1000 * number + 999) == 201
            again = client.post("/api/campaigns/1/jobs", json=asked, headers=_own(client)).json()
            _end(client, again["id"])
            again = client.post("/api/campaigns/1/jobs", json=asked, headers=_own(client)).json()
            promised.jobs[again["id"]] = (1, asked)
        require_done(server.address, promised)
        server.stop()
        server = Server.of(settings)
        require_kept(settings, server.address, promised, whole=True)
    finally:
        server.stop()
    return f"{len(promised.campaigns)} campaigns kept, {refused} refused, job {begun.status_code}"


def _own(client: httpx.Client) -> dict[str, str]:
    return {"Origin": str(client.base_url).rstrip("/")}


def _end(client: httpx.Client, job_id: int) -> None:
    while client.get(f"/api/jobs/{job_id}").json()["state"] in ("queued", "running"):
        pass


def _fill_up(ballast: Path) -> None:
    """To the last byte."""
    with suppress(OSError), ballast.open("ab", buffering=0) as file:
        while file.write(bytes(2**16)):
            pass


def _upload(client: httpx.Client, promised: Promised, number: int) -> int:
    """In pieces, so that no length is declared that would be refused before."""
    archive = archive_of(number)
    head = {"Content-Type": "application/zip", **_own(client)}
    answer = client.post("/api/campaigns", content=iter([archive]), headers=head)
    if answer.status_code == 201:
        campaign_id = answer.json()["campaign"]["id"]
        promised.archives[campaign_id] = archive
        promised.campaigns[campaign_id] = digests_of(archive)
    return answer.status_code
