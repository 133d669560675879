"""The audit log, and what must be so before anybody is answered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import Connection, Engine

from buffet.service.access.audit import MOST, entries, record
from buffet.service.access.errors import UnsafeError
from buffet.service.access.roles import LOCAL, Role
from buffet.service.access.startup import private_folder, require_safe
from buffet.service.access.tokens import DAY_S
from buffet.service.database.engine import reading, writing
from buffet.service.errors import FolderError
from buffet.service.settings import ServiceSettings
from tests.buffet.service.access.test_tokens import NOW, made

SECRET = "bft_" + "Zz9-_" * 8 + "xyz"
TLS = {"tls_certificate": Path("c"), "tls_key": Path("k")}


def note(connection: Connection, what: str, **details: object) -> None:
    """An entry."""
    record(connection, LOCAL, "127.0.0.1", "put into the bin", what, details, NOW)


def test_entries_come_newest_first_and_by_pages(engine: Engine) -> None:
    """Each once."""
    with writing(engine) as connection:
        for i in range(25):
            note(connection, f"run {i}", campaign=3, names=["a", "ü"])
    pages, before = [], None
    with reading(engine) as connection:
        while page := entries(connection, before, 10):
            pages.append(page)
            before = page[-1].id

    found = [one for page in pages for one in page]
    assert [len(page) for page in pages] == [10, 10, 5]
    assert [one.object for one in found] == [f"run {i}" for i in reversed(range(25))]
    first = found[0]
    assert (first.actor, first.role, first.address) == ("local", "owner", "127.0.0.1")
    assert (first.at, first.action) == (NOW, "put into the bin")
    assert first.details == {"campaign": 3, "names": ["a", "ü"]}


def test_an_entry_goes_with_its_change(engine: Engine) -> None:
    """What was undone was not done."""

    def fail(connection: Connection) -> None:
        note(connection, "run 1")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), writing(engine) as connection:
        fail(connection)
    with reading(engine) as connection:
        assert entries(connection) == ()


def test_no_entry_holds_a_token(engine: Engine) -> None:
    """Wherever somebody put one."""
    with writing(engine) as connection:
        record(
            connection,
            replace(LOCAL, name=SECRET),
            SECRET,
            SECRET,
            f"file {SECRET}.csv",
            {SECRET: [SECRET, {"a": (f"x{SECRET}x", 1.5, None, True)}]},
        )
    with reading(engine) as connection:
        (entry,) = entries(connection)
    assert SECRET[4:] not in str(entry)
    assert entry.details == {"bft_…": ["bft_…", {"a": ["xbft_…x", 1.5, None, True]}]}


def test_long_words_are_cut_in_either_database(engine: Engine) -> None:
    """As long as the columns are; and nobody asks for all at once."""
    with writing(engine) as connection:
        note(connection, "r" * 500)
    with reading(engine) as connection:
        (entry,) = entries(connection, limit=10**9)
    assert entry.object == "r" * 199 + "…"
    assert MOST <= 1000


def missing(engine: Engine, **settings: object) -> str:
    """What keeps a service from starting."""
    given = ServiceSettings(Path("tunnel data"), **settings)  # type: ignore[arg-type]
    with reading(engine) as connection:
        try:
            require_safe(given, connection, NOW)
        except UnsafeError as error:
            return str(error)
    return ""


def test_on_this_machine_nothing_is_needed(engine: Engine) -> None:
    """On any of its own addresses."""
    for host in ("127.0.0.1", "localhost", "::1", "127.0.0.9"):
        assert missing(engine, host=host) == ""


def test_for_others_every_lock_must_be_there(engine: Engine) -> None:
    """All that are missing are told at once, and each alone is enough to stay closed."""
    wildcards = {"0.0.0.0": True, "::": True, "": True, "192.0.2.5": False, "a.example": False}
    named = {"names": ("tunnel.example",)}
    for host, is_wildcard in wildcards.items():
        told = missing(engine, host=host)
        assert "buffet token create tunnel data --name NAME --role owner" in told
        assert "--tls-certificate and --tls-key" in told
        assert ("give --name NAME" in told) == is_wildcard

    made(engine, "engineer", Role.ENGINEER)
    assert "no owner's token lives" in missing(engine, host="192.0.2.5", **named, **TLS)
    made(engine, "owner", Role.OWNER)
    for host, is_wildcard in wildcards.items():
        assert missing(engine, host=host, **named, **TLS) == ""
        assert "tokens would cross the network" in missing(engine, host=host, **named)
        assert ("give --name NAME" in missing(engine, host=host, **TLS)) == is_wildcard


def test_a_proxy_stands_for_tls(engine: Engine) -> None:
    """By its address, with the name that people use; owners are needed all the same."""
    assert "no owner's token lives" in missing(engine, proxy="127.0.0.1", names=("a",))
    made(engine, "owner", Role.OWNER)

    assert missing(engine, proxy="127.0.0.1", names=("a",)) == ""
    assert "give --name NAME" in missing(engine, proxy="127.0.0.1")
    assert "IP address, got 'proxy.example'" in missing(engine, proxy="proxy.example", names=("a",))


def test_half_of_tls_is_none(engine: Engine) -> None:
    """On this machine, too."""
    assert "TLS needs both" in missing(engine, tls_certificate=Path("c"))
    assert "TLS needs both" in missing(engine, tls_key=Path("k"))


def test_an_owner_whose_token_expired_opens_nothing(engine: Engine) -> None:
    """Its 90 days after."""
    made(engine, "owner", Role.OWNER)
    given = ServiceSettings(Path("x"), host="192.0.2.5", **TLS)  # type: ignore[arg-type]
    with reading(engine) as connection:
        require_safe(given, connection, NOW + 90 * DAY_S - 1)
        with pytest.raises(UnsafeError, match="no owner's token lives"):
            require_safe(given, connection, NOW + 90 * DAY_S)


def test_the_folder_is_private(tmp_path: Path) -> None:
    """Made so; one that others can look into is told, one that cannot be made is an error."""
    folder = tmp_path / "service"
    assert private_folder(folder) is None
    assert folder.stat().st_mode & 0o777 == 0o700
    folder.chmod(0o750)
    assert private_folder(folder) == (
        f"{folder}: other users of this machine can look into it (mode 750); chmod 700 {folder}"
    )
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderError, match="file: cannot be made: File exists"):
        private_folder(tmp_path / "file")
