"""Folders for services of both databases, outside of pytest."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from buffet.service.settings import PASSWORD_VARIABLE, ServiceSettings
from tests.buffet.service.databases import PASSWORD, cluster, programs


@contextmanager
def settings_of(kind: str) -> Iterator[ServiceSettings]:
    """A folder of its own with an empty database; PostgreSQL must be installed for its kind."""
    with tempfile.TemporaryDirectory(prefix="buffet-service-") as folder:
        if kind == "sqlite":
            yield ServiceSettings(Path(folder))
            return
        bin_folder = programs()
        if bin_folder is None:
            raise SystemExit("PostgreSQL is not installed")
        with cluster(bin_folder) as running, running.database() as url:
            os.environ[PASSWORD_VARIABLE] = PASSWORD
            yield ServiceSettings(Path(folder), url)
