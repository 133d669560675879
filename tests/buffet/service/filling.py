"""A service with a campaign and a result in it, without a server or workers."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import insert

from buffet.service import catalogue
from buffet.service.access.audit import record
from buffet.service.access.roles import LOCAL, Role
from buffet.service.access.tokens import make
from buffet.service.blobs import Blobs
from buffet.service.catalogue import Campaign, Found, FoundRun, StoredFile
from buffet.service.database.engine import writing
from buffet.service.database.tables import SESSIONS
from buffet.service.jobs import queue
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service

DOCUMENT = b'{"format": "buffet/rating", "text": "\xc3\xbc \xe2\x80\x93 \\u0000"}\n'
FILES = {
    "campaign.toml": b"format = 1\n",
    "runs/1.toml": "[run]\nnumber = 'ü'\n".encode(),
    "runs/1.csv": bytes(range(256)) * 5000,
}


@contextmanager
def service_of(settings: ServiceSettings) -> Iterator[Service]:
    """Open, without a server."""
    service = Service(settings)
    try:
        yield service
    finally:
        service.close()


def content(blobs: Blobs, incoming: Path, data: bytes) -> str:
    """Keep content; its digest."""
    sha256 = hashlib.sha256(data).hexdigest()
    file = incoming / sha256
    file.write_bytes(data)
    blobs.adopt(file, sha256)
    return sha256


def fill(settings: ServiceSettings, files: Mapping[str, bytes] = FILES) -> Campaign:
    """Two campaigns, the later one deleted for good; a result, a token with a session, a log."""
    with service_of(settings) as service, writing(service.engine) as connection:
        incoming = settings.places.incoming
        stored = [
            StoredFile(name, content(service.blobs, incoming, data), len(data))
            for name, data in files.items()
        ]
        run = FoundRun("ü1", "wind-on", "bare", "runs/1.toml", ("runs/1.csv",), 7, {"a": 0.1 + 0.2})
        waiting = ({"file": "runs/2.toml", "key": "run", "problem": "ü"},)
        found = Found("Hatchback ü", "bare", ("bare",), (run,), waiting)
        kept, _ = catalogue.add(connection, found, stored, "hall", "campaign ü")
        gone, _ = catalogue.add(connection, found, stored[:1], "hall")
        catalogue.put_into_bin(connection, gone.id, "hall")
        catalogue.delete_for_good(connection, gone.id)
        job, _ = queue.add(
            connection, kept.id, "rate", {}, "k" * 64, kept.manifest_sha256, "hall", 9
        )
        sha256 = content(service.blobs, incoming, DOCUMENT)
        queue.keep(connection, job, sha256, len(DOCUMENT), "application/json")
        _, token = make(connection, "hall", Role.OWNER, time.time(), 1000.0)
        session = {"sha256": "5" * 64, "token_id": token.id, "created_at": 1.0, "expires_at": 2.0}
        connection.execute(insert(SESSIONS).values(session))
        record(connection, LOCAL, "here", "upload", "campaign", {"ü": [1.5, None, True]})
        return kept
