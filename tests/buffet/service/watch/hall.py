"""A folder that a logger writes into, a service that watches it, and a clock set by hand."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select

from buffet.service import catalogue
from buffet.service.catalogue import Campaign
from buffet.service.database.engine import reading
from buffet.service.database.tables import AUDIT
from buffet.service.jobs import queue
from buffet.service.state import Service
from buffet.service.watch.thread import Watch
from tests.buffet.campaigns import PlantedRun, lift_run, wind_off, write_runs, write_sheet

SECONDS = 2.0
SETTLED_S = 6.0


@dataclass
class Clock:
    """Seconds that pass when told to."""

    now: float = 100.0

    def __call__(self) -> float:
        """The time."""
        return self.now


class Hall:
    """The folder and who watches it."""

    def __init__(self, service: Service, root: Path) -> None:
        self.service, self.root, self.clock = service, root, Clock()
        root.mkdir(exist_ok=True)
        self.watch = Watch(service, root, self.clock)

    def restart(self) -> None:
        """As after a new start of the server: nothing is remembered."""
        self.watch = Watch(self.service, self.root, self.clock)

    def poll(self, after_s: float = SETTLED_S) -> None:
        """Look, later."""
        self.clock.now += after_s
        self.watch.poll()

    def settle(self) -> None:
        """Look, until what is there has stayed the same."""
        self.poll(0.0)
        self.poll()

    def begin(self, runs: Sequence[PlantedRun] = (), name: str = "a") -> Path:
        """A campaign's folder."""
        return write_runs(self.root / name, runs)

    def log(self, folder: Path, run: PlantedRun) -> None:
        """A run that the logger has finished."""
        (folder / "runs" / f"{run.number}.csv").write_text(run.recording(), encoding="utf-8")
        write_sheet(folder, run.number, run.sheet())

    def campaigns(self) -> list[Campaign]:
        """Of the catalogue."""
        with reading(self.service.engine) as connection:
            return catalogue.campaigns(connection)

    def campaign(self) -> Campaign:
        """The only one."""
        (found,) = self.campaigns()
        return found

    def numbers(self) -> list[str]:
        """Of the only campaign's runs."""
        with reading(self.service.engine) as connection:
            return [run.number for _, run in catalogue.runs(connection, self.campaign().id)]

    def problems(self) -> list[str]:
        """What the only campaign waits for."""
        return [f"{fault['file']}: {fault['problem']}" for fault in self.campaign().waiting]

    def contents(self) -> dict[str, bytes]:
        """Of the only campaign's files."""
        with reading(self.service.engine) as connection:
            files = catalogue.files(connection, self.campaign().id)
        return {file.name: self.service.blobs.path(file.sha256).read_bytes() for file in files}

    def jobs(self) -> list[tuple[str, Any]]:
        """Kinds and runs of the analyses of the campaign as it stands, in order."""
        with reading(self.service.engine) as connection:
            found = queue.jobs(connection, self.campaign().id)
        manifest = self.campaign().manifest_sha256
        return [
            (job.kind, job.settings.get("run"))
            for job in reversed(found)
            if job.manifest_sha256 == manifest
        ]

    def actors(self) -> set[tuple[str, str]]:
        """Who is in the audit log."""
        with reading(self.service.engine) as connection:
            return {(r.actor, r.role) for r in connection.execute(select(AUDIT))}

    def left_in_service(self) -> list[str]:
        """Of what came in and of work: nothing, between looks."""
        places = self.service.settings.places
        return [*os.listdir(places.incoming), *os.listdir(places.scratch)]


def bare(number: str, rms: float = 0.02) -> PlantedRun:
    """A short run of the baseline."""
    return lift_run(number, rms, "bare", SECONDS)


def spoiler(number: str) -> PlantedRun:
    """A short run of an add-on."""
    return lift_run(number, 0.01, "spoiler", SECONDS)


def zero(number: str) -> PlantedRun:
    """Without wind."""
    return wind_off(number, seconds=SECONDS)
