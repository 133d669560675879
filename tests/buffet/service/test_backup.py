"""Backups: all that is in a service, made while it runs, into either database, whole or not."""

from __future__ import annotations

import json
import shutil
import threading
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import Connection, Table, inspect, select, text

from buffet.cli import main
from buffet.service import backup as module
from buffet.service import catalogue
from buffet.service import restore as restoring
from buffet.service.api.campaigns import etag
from buffet.service.backup import back_up
from buffet.service.backup_form import MANIFEST, BackupError
from buffet.service.database.engine import reading, writing
from buffet.service.database.tables import METADATA, SESSIONS
from buffet.service.errors import FolderError
from buffet.service.jobs import queue
from buffet.service.restore import restore
from buffet.service.settings import ServiceSettings
from tests.buffet.service.databases import KINDS, Cluster, opened
from tests.buffet.service.filling import DOCUMENT, FILES, content, fill, service_of

END_BYTES = 22  # of an archive's last record


def quiet(text: str) -> None:
    """Progress that nobody watches."""


def rows(connection: Connection, table: Table) -> list[dict[str, Any]]:
    """All of a table."""
    query = select(table).order_by(*table.primary_key.columns)
    return [dict(row) for row in connection.execute(query).mappings()]


def everything(settings: ServiceSettings) -> dict[str, list[dict[str, Any]]]:
    """All tables of a catalogue."""
    with opened(settings) as engine, reading(engine) as connection:
        return {table.name: rows(connection, table) for table in METADATA.sorted_tables}


@pytest.fixture(params=KINDS)
def elsewhere(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ServiceSettings]:
    """A folder that is not there yet, with an empty database of either kind."""
    folder = tmp_path / "restored"
    if request.param == "sqlite":
        yield ServiceSettings(folder)
    else:
        running: Cluster = request.getfixturevalue("postgresql")
        with running.database() as url:
            yield ServiceSettings(folder, url)


def test_what_is_restored_is_what_was_there(
    settings: ServiceSettings, elsewhere: ServiceSettings, tmp_path: Path
) -> None:
    """In all four combinations: rows, ids, entity tags, content, and ids that are given next."""
    before = fill(settings)
    rows_before = everything(settings)

    back_up(settings, tmp_path / "b.zip", quiet)
    restore(tmp_path / "b.zip", elsewhere, quiet)

    assert everything(elsewhere) == rows_before | {"sessions": []}
    assert rows_before["sessions"]
    with service_of(elsewhere) as service, writing(service.engine) as connection:
        after = catalogue.campaign(connection, before.id)
        assert (after, etag(after)) == (before, etag(before))
        result = queue.result(connection, "k" * 64)
        assert result is not None
        assert service.blobs.path(result.sha256).read_bytes() == DOCUMENT
        for file in catalogue.files(connection, before.id):
            assert service.blobs.path(file.sha256).read_bytes() == FILES[file.name]
        # The one that was deleted for good had the next id: no address comes to mean another.
        found = catalogue.Found("another", None, (), (), ())
        assert catalogue.add(connection, found, [], "hall")[0].id == before.id + 2
    assert elsewhere.places.secret.read_bytes() != settings.places.secret.read_bytes()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup of a small service in SQLite."""
    folder = tmp_path_factory.mktemp("backup")
    fill(ServiceSettings(folder / "service"))
    back_up(ServiceSettings(folder / "service"), folder / "b.zip", quiet)
    return folder / "b.zip"


def rewritten(archive: Path, folder: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """An archive with members changed; None leaves one out."""
    made = folder / "changed.zip"
    with zipfile.ZipFile(archive) as source, zipfile.ZipFile(made, "w") as target:
        for name in source.namelist():
            data = change(name, source.read(name))
            if data is not None:
                target.writestr(name, data)
    return made


def stated(key: str, value: object) -> Callable[[str, bytes], bytes]:
    """The manifest with one entry changed."""

    def change(name: str, data: bytes) -> bytes:
        return json.dumps(json.loads(data) | {key: value}).encode() if name == MANIFEST else data

    return change


def test_nothing_of_a_damaged_archive_is_restored(
    archive: Path, elsewhere: ServiceSettings, tmp_path: Path
) -> None:
    """Each damage is told with its place; neither folder nor database has anything of it."""
    audit = "rows/audit.jsonl"
    damages = {
        "blobs/": rewritten(archive, _new(tmp_path), lambda n, d: d + b" " if "blobs" in n else d),
        audit: rewritten(archive, _new(tmp_path), lambda n, d: b"" if n == audit else d),
        "one of archive": rewritten(
            archive, _new(tmp_path), lambda n, d: None if n == audit else d
        ),
        "buffet/backup": rewritten(archive, _new(tmp_path), stated("format", "x")),
        "its tables": rewritten(archive, _new(tmp_path), stated("rows", {})),
        "update buffet": rewritten(archive, _new(tmp_path), stated("revision", "9999")),
        "cut off": _new(tmp_path) / "cut.zip",
    }
    damages["cut off"].write_bytes(archive.read_bytes()[:-100])

    for told, damaged in damages.items():
        with pytest.raises(BackupError, match=told):
            restore(damaged, elsewhere, quiet)
        assert not elsewhere.folder.exists()
        assert not list(tmp_path.glob(".restored*"))
    if elsewhere.database_url is not None:
        with opened(elsewhere) as engine, reading(engine) as connection:
            assert inspect(connection).get_table_names() == []
    restore(archive, elsewhere, quiet)


def test_a_failure_at_the_last_moment_undoes_all(
    archive: Path, elsewhere: ServiceSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the folder was to appear, or just after it had, before the database had its part."""
    appear = restoring._appear

    def fails(made: Path, folder: Path) -> None:
        raise BackupError("at the last moment")

    def fails_after(made: Path, folder: Path) -> None:
        appear(made, folder)
        raise BackupError("at the last moment")

    for failing in (fails, fails_after) if elsewhere.database_url else (fails,):
        monkeypatch.setattr(restoring, "_appear", failing)
        with pytest.raises(BackupError, match="at the last moment"):
            restore(archive, elsewhere, quiet)
        assert not elsewhere.folder.exists()
    monkeypatch.undo()
    restore(archive, elsewhere, quiet)


def _new(folder: Path) -> Path:
    made = folder / f"damage {len(list(folder.iterdir()))}"
    made.mkdir()
    return made


def test_any_changed_byte_is_noticed(archive: Path, tmp_path: Path) -> None:
    """Wherever in the file: either it is refused, or what is restored is the same."""
    whole = archive.read_bytes()
    restore(archive, ServiceSettings(tmp_path / "whole"), quiet)
    wanted = everything(ServiceSettings(tmp_path / "whole"))
    refused = 0
    end = range(len(whole) - END_BYTES, len(whole))  # where it says that all members begin
    for i, place in enumerate([*range(10, len(whole), len(whole) // 15), *end]):
        damaged = tmp_path / "damaged.zip"
        damaged.write_bytes(whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :])
        settings = ServiceSettings(tmp_path / f"restored {i}")
        try:
            restore(damaged, settings, quiet)
        except BackupError:
            refused += 1
            assert not settings.folder.exists()
        else:
            assert everything(settings) == wanted
    assert refused > 10


def test_it_is_restored_into_nothing_else(archive: Path, settings: ServiceSettings) -> None:
    """Neither a folder nor a database that holds something already."""
    (settings.folder / "mine.txt").write_text("x")
    with pytest.raises(BackupError, match=r"holds '.*' already"):
        restore(archive, settings, quiet)
    assert (settings.folder / "mine.txt").read_text() == "x"
    if settings.database_url is not None:
        with pytest.raises(BackupError, match="has a table 'alembic_version' already"):
            restore(archive, replace(settings, folder=settings.folder / "new"), quiet)
        assert not (settings.folder / "new").exists()


def test_changes_during_a_backup_are_wholly_in_it_or_not(
    settings: ServiceSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A campaign that is taken in, and one deleted for good, while the tables are being read."""
    first = fill(settings)
    read = module._Writing._rows

    def slowly(self: Any, table: Table) -> int:
        number = read(self, table)
        if table.name == "campaigns":
            thread = threading.Thread(target=change)
            thread.start()
            thread.join()
        return number

    def change() -> None:
        with service_of(settings) as service:
            with service.blobs.held(), writing(service.engine) as connection:
                catalogue.put_into_bin(connection, first.id, "x")
                catalogue.delete_for_good(connection, first.id)
                sha256 = content(service.blobs, settings.places.incoming, b"new")
                found = catalogue.Found("new", None, (), (), ())
                stored = [catalogue.StoredFile("campaign.toml", sha256, 3)]
                catalogue.add(connection, found, stored, "x")
            service.sweep()

    monkeypatch.setattr(module._Writing, "_rows", slowly)
    before = everything(settings)
    back_up(settings, tmp_path / "b.zip", quiet)
    restored = ServiceSettings(tmp_path / "restored")
    restore(tmp_path / "b.zip", restored, quiet)

    assert everything(restored) == before | {"sessions": []}
    with service_of(restored) as service, reading(service.engine) as connection:
        for file in catalogue.files(connection, first.id):
            assert service.blobs.path(file.sha256).read_bytes() == FILES[file.name]


def test_a_backup_of_a_damaged_folder_is_refused(tmp_path: Path) -> None:
    """And an earlier backup of the same name stays."""
    settings = ServiceSettings(tmp_path / "service")
    fill(settings)
    output = tmp_path / "b.zip"
    back_up(settings, output, quiet)
    earlier = output.read_bytes()
    assert back_up(settings, output, quiet).blobs
    (blob,) = [path for path in settings.places.blobs.glob("??/*") if path.stat().st_size > 1e6]

    blob.chmod(0o600)
    blob.write_bytes(b"rot")
    with pytest.raises(BackupError, match=f"{blob.name}: is damaged"):
        back_up(settings, output, quiet)
    blob.unlink()
    with pytest.raises(BackupError, match=f"{blob.name} is missing"):
        back_up(settings, output, quiet)

    assert len(output.read_bytes()) == len(earlier)
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    assert output.stat().st_mode & 0o077 == 0


def test_an_older_backup_is_brought_up_to_date(
    archive: Path, elsewhere: ServiceSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the steps that came since."""
    from buffet.service.database import migrate

    steps = tmp_path / "steps"
    shutil.copytree(migrate._STEPS, steps)
    (steps / "versions" / "next.py").write_text(
        "import sqlalchemy as sa\nfrom alembic import op\n"
        'revision, down_revision = "next", "0001"\n'
        "def upgrade():\n"
        '    op.add_column("campaigns", sa.Column("remark", sa.Text(), server_default="none"))\n'
    )
    monkeypatch.setattr(migrate, "_STEPS", steps)

    restore(archive, elsewhere, quiet)

    with opened(elsewhere) as engine, reading(engine) as connection:
        assert connection.scalar(text("SELECT remark FROM campaigns")) == "none"


def test_the_commands(tmp_path: Path) -> None:
    """A folder named by mistake is told and stays as it was; the rest goes round."""
    fill(ServiceSettings(tmp_path / "service"))
    empty, output = tmp_path / "empty", tmp_path / "b.zip"
    empty.mkdir()

    wrong = CliRunner().invoke(main, ["backup", str(empty), "-o", str(output)])
    made = CliRunner().invoke(main, ["backup", str(tmp_path / "service"), "-o", str(output)])
    back = CliRunner().invoke(main, ["restore", str(output), str(empty)])
    again = CliRunner().invoke(main, ["restore", str(output), str(empty)])

    assert (wrong.exit_code, "holds no service" in wrong.stderr) == (1, True)
    assert (made.exit_code, "1 campaigns, 4 files" in made.stderr) == (0, True), made.stderr
    assert back.exit_code == 0, back.stderr
    assert (again.exit_code, "already" in again.stderr) == (1, True)
    restored = everything(ServiceSettings(empty))
    assert [row["title"] for row in restored["campaigns"]] == ["Hatchback ü"]
    assert restored[SESSIONS.name] == []


def test_a_database_without_tables_is_no_service(empty_settings: ServiceSettings) -> None:
    """Told, and no file is left."""
    with pytest.raises((BackupError, FolderError), match="no tables"):
        back_up(empty_settings, empty_settings.folder / "b.zip", quiet)
    assert not (empty_settings.folder / "b.zip").exists()
