"""`buffet serve` used wrongly: one message that says what to do, and nothing left open."""

from __future__ import annotations

import socket
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from buffet.cli import main
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service


def refused(folder: Path, *options: str) -> str:
    """What it says, once, with exit code 1."""
    done = CliRunner().invoke(main, ["serve", str(folder), *options])
    assert done.exit_code == 1, done.output
    assert done.stdout == ""
    assert done.stderr.count("Error:") == 1
    return done.stderr


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--watch", "no such hall"), "--watch no such hall: there is no such folder"),
        (("--host", "0.0.0.0"), "buffet token create"),
        (("--database", "mysql://localhost/x"), "is no database that serves here"),
        (("--host", "203.0.113.7"), "choose another with --host and --port"),
    ],
)
def test_what_cannot_be_served_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], told: str
) -> None:
    """Before anything listens."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("buffet.service.logs.configure", lambda form: None)
    assert told in refused(tmp_path / "service", "--port", "0", *options)


def test_a_port_that_is_taken_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With what to do."""
    monkeypatch.setattr("buffet.service.logs.configure", lambda form: None)
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert f"127.0.0.1:{port} cannot be served" in refused(tmp_path, "--port", port)


def test_a_folder_has_one_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second says so, and takes nothing from the first."""
    monkeypatch.setattr("buffet.service.logs.configure", lambda form: None)
    first = Service(ServiceSettings(tmp_path))
    try:
        assert "another server has this folder" in refused(tmp_path, "--port", "0")
    finally:
        first.close()


def test_halves_of_a_certificate_are_wrong_usage(tmp_path: Path) -> None:
    """They belong together."""
    done = CliRunner().invoke(main, ["serve", str(tmp_path), "--tls-key", "key.pem"])
    assert done.exit_code == 2
    assert "belong together" in done.stderr
