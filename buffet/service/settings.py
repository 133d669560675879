"""What `buffet serve` is told, and the places in its folder."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path

DATABASE_FILE = "catalogue.sqlite"
PASSWORD_VARIABLE = "BUFFET_DATABASE_PASSWORD"
LOCAL_NAMES = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True)
class Places:
    """Folders and files of a service; names come from here alone, never from a request."""

    folder: Path

    @property
    def database(self) -> Path:
        """The SQLite file, where no other database is named."""
        return self.folder / DATABASE_FILE

    @property
    def blobs(self) -> Path:
        """Content under its SHA-256, never changed."""
        return self.folder / "blobs"

    @property
    def incoming(self) -> Path:
        """Bodies as they stream in; empty after a restart."""
        return self.folder / "incoming"

    @property
    def scratch(self) -> Path:
        """One folder a job or inspection; empty after a restart."""
        return self.folder / "scratch"

    @property
    def secret(self) -> Path:
        """The key that form tokens are made with."""
        return self.folder / "secret"

    @property
    def lock(self) -> Path:
        """Held by the one server of a folder."""
        return self.folder / "lock"


@dataclass(frozen=True)
class ServiceSettings:
    """Where a service stands and who may reach it."""

    folder: Path
    database_url: str | None = None  # None: SQLite in the folder
    host: str = "127.0.0.1"
    port: int = 8000
    names: tuple[str, ...] = ()  # further host names that requests may ask for
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    proxy: str | None = None  # address of the proxy in front, which ends TLS
    workers: int = field(default_factory=lambda: max(1, (os.cpu_count() or 2) - 1))
    queue: int = 100  # jobs that may wait
    job_memory_bytes: int = 8 * 2**30
    job_time_s: float = 6 * 3600.0
    requests_per_minute: int = 1200  # of one user
    streams: int = 100  # event streams at once
    watch: Path | None = None
    settle_s: float = 5.0  # that a watched run has kept its size and time to be finished

    @property
    def places(self) -> Places:
        """In the folder; other processes than this one go by these names, too."""
        return Places(self.folder.absolute())

    @property
    def is_loopback(self) -> bool:
        """Whether nobody from outside this machine reaches it."""
        try:
            local = self.host == "localhost" or ip_address(self.host).is_loopback
        except ValueError:
            local = False
        return local and self.proxy is None

    @property
    def is_encrypted(self) -> bool:
        """Whether browsers reach it by TLS."""
        return self.tls_certificate is not None or self.proxy is not None
