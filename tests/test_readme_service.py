"""What README says of serving a team is done here, with real processes."""

from __future__ import annotations

import shlex
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import httpx
import pytest

from tests.buffet.campaigns import two_configurations
from tests.buffet.service.process import Server, running
from tests.buffet.service.served import zipped
from tests.test_readme import FENCE, README

SECTION = README[README.index("## For a team") : README.index("## A balance with")]
BLOCKS = FENCE.findall(SECTION)
LINES = [line for word, body in BLOCKS if word == "sh" for line in body.splitlines()]
(PYTHON,) = [body for word, body in BLOCKS if word == "python"]
SHOWN_ADDRESS = "http://127.0.0.1:8000"


def command(start: str) -> list[str]:
    """The words of the first line that begins so."""
    line = next(line for line in LINES if line.startswith(start))
    return [sys.executable, "-m", *shlex.split(line)]


@contextmanager
def serving(words: list[str], folder: Path) -> Iterator[str]:
    """The address of a server started by README's words, at a port that is free."""
    with running(Server([*words, "--port", "0"], folder / "log", folder)) as server:
        yield server.address
        assert server.stop() == 0


def test_serving_needs_no_set_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Upload, the client's lines, and a backup that is restored; as README has them."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    campaign = zipped(two_configurations(tmp_path / "campaign", 20.0))
    with serving(command("buffet serve catalogue"), tmp_path) as address:
        assert "Campaigns" in httpx.get(f"{address}/", headers={"Accept": "text/html"}).text
        headers = {"Content-Type": "application/zip", "Origin": address}
        sent = httpx.post(f"{address}/api/campaigns", content=campaign, headers=headers)
        assert sent.status_code == 201
        exec(compile(PYTHON.replace(SHOWN_ADDRESS, address), "README.md", "exec"), {})
        lines = capsys.readouterr().out.splitlines()
        assert {line.split()[0] for line in lines[:2]} == {"bare", "spoiler"}
        assert lines[-1] == "1"
        subprocess.run(command("buffet backup"), cwd=tmp_path, check=True)
    subprocess.run(command("buffet restore"), cwd=tmp_path, check=True)
    words = [word.replace("catalogue", "restored") for word in command("buffet serve catalogue")]
    with serving(words, tmp_path) as address:
        found = httpx.get(f"{address}/api/campaigns/1").json()
        assert found["content_sha256"] == sent.json()["campaign"]["content_sha256"]


def test_others_come_in_with_a_token_and_tls(tmp_path: Path) -> None:
    """Refused without a token; then browsers are asked for it, under the name given."""
    certificate = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    files = ["-keyout", "key.pem", "-out", "cert.pem", "-subj", "/CN=tunnel.example"]
    subprocess.run([*certificate, *files], cwd=tmp_path, check=True, capture_output=True)
    with closing(socket.socket()) as probe:
        probe.bind(("", 0))
        port = probe.getsockname()[1]
    (serve,) = [line for line in LINES if "tunnel.example" in line]
    words = [sys.executable, "-m", *shlex.split(serve)]
    refused = subprocess.run(
        [*words, "--port", str(port)], cwd=tmp_path, capture_output=True, text=True
    )
    assert refused.returncode == 1
    assert "buffet token create" in refused.stderr
    made = subprocess.run(
        command("buffet token create"), cwd=tmp_path, check=True, capture_output=True, text=True
    )
    token = made.stdout.strip()
    with serving(words, tmp_path) as address:
        port = int(address.rpartition(":")[2])
        host = {"Host": f"tunnel.example:{port}"}
        with httpx.Client(base_url=f"https://127.0.0.1:{port}", verify=False) as client:
            assert client.get("/api/campaigns", headers=host).status_code == 401
            known = host | {"Authorization": f"Bearer {token}"}
            assert client.get("/api/campaigns", headers=known).json()["items"] == []
            assert client.get("/api/campaigns").status_code == 400
    assert token not in (tmp_path / "log").read_text()
