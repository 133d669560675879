"""Hostile uploads to a real server: refused with one message each, and nothing of them stays."""

from __future__ import annotations

import io
import itertools
import time
import zipfile
from collections import namedtuple
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from buffet.service.access import bodies
from buffet.service.api import upload_bodies
from buffet.service.intake.limits import UploadLimits
from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import (
    CAMPAIGN,
    changed,
    lift_run,
    two_configurations,
    wind_off,
    write_runs,
    write_sheet,
)
from tests.buffet.service.intake.archives import LINK, RawZip, with_mode
from tests.buffet.service.raw_requests import RawAnswer, head_of, send
from tests.buffet.service.served import Served, serving, zipped

Room = namedtuple("Room", "total used free")
MARKUP = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One service for all: whatever comes, it goes on."""
    with serving(ServiceSettings(tmp_path_factory.mktemp("service"))) as running:
        yield running


def kept(served: Served) -> list[str]:
    """Files that are there beside the service's own, and what is listed."""
    places = served.service.settings.places
    folders = (places.blobs, places.incoming, places.scratch)
    files = [str(path) for folder in folders for path in folder.rglob("*") if path.is_file()]
    listed = served.client.get("/api/campaigns").json()["items"]
    return sorted(path for path in files if not path.endswith(".held")) + [
        str(one) for one in listed
    ]


def slip(path: Path) -> Path:
    """An entry that climbs out of its folder."""
    return RawZip().add(b"campaign.toml", b"x").add(b"../../../../tmp/owned", b"x").write(path)


def absolute(path: Path) -> Path:
    """An entry at the root of the machine."""
    return RawZip().add(b"/etc/cron.d/owned", b"x").write(path)


def link(path: Path) -> Path:
    """An entry that is a link to a file of the machine."""
    return with_mode(path, "runs/1.csv", b"/etc/passwd", LINK)


def bomb(path: Path) -> Path:
    """64 MiB of zeros out of 64 KiB."""
    return RawZip().add(b"runs/1.csv", bytes(2**26)).write(path)


def lying_bomb(path: Path) -> Path:
    """The same, which states a kilobyte."""
    return RawZip().add(b"runs/1.csv", bytes(2**26), size=1024).write(path)


def no_archive(path: Path) -> Path:
    """Something else."""
    path.write_bytes(b"\x7fELF" + bytes(1000))
    return path


@pytest.mark.parametrize("make", [slip, absolute, link, bomb, lying_bomb, no_archive])
def test_hostile_archives_leave_nothing(
    served: Served, tmp_path: Path, make: Callable[[Path], Path]
) -> None:
    """By the API and by the page's form."""
    before, data = kept(served), make(tmp_path / "a.zip").read_bytes()
    answer = served.upload(data)
    assert answer.status_code in (413, 422), answer.text
    assert answer.json()["kind"] in ("bad-archive", "bad-name", "too-large")
    assert "/tmp" not in answer.json()["detail"].replace("/../../tmp/owned", "")
    files = {"archive": ("a.zip", data, "application/zip")}
    assert served.post("/upload", files=files).status_code == 403  # no form token
    assert kept(served) == before
    assert not Path("/tmp/owned").exists()


@pytest.mark.parametrize("length", [30 * 10**9, 10**13, 10**17])
def test_a_length_beyond_the_limit_is_refused_before_the_body(served: Served, length: int) -> None:
    """Nothing of it is waited for."""
    before = kept(served)
    answer = send(served.address, post_head(served, "/api/campaigns", f"Content-Length: {length}"))
    assert (answer.status, answer.n_answers) == (413, 1)
    assert kept(served) == before


def test_a_length_beyond_the_disks_room_is_refused_before_the_body(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """10 GB to a disk that has 9."""
    monkeypatch.setattr(
        "buffet.service.intake.disk.shutil.disk_usage",
        lambda folder: Room(10**10, 10**9, 9 * 10**9),
    )
    answer = send(served.address, post_head(served, "/api/campaigns", f"Content-Length: {10**10}"))
    assert answer.status == 507


def post_head(served: Served, target: str, *fields: str, kind: str = "application/zip") -> bytes:
    """Of an upload."""
    own = (f"Origin: {served.address}", f"Content-Type: {kind}", *fields)
    return head_of(served.address, "POST", target, *own)


def chunks(size: int) -> Iterator[bytes]:
    """A body that never ends."""
    piece = f"{size:x}\r\n".encode() + b"x" * size + b"\r\n"
    return itertools.repeat(piece)


@pytest.mark.parametrize(
    ("target", "kind"),
    [
        ("/api/campaigns", "application/zip"),
        ("/api/tokens", "application/json"),
        ("/api/check-sheet", "application/json"),
        ("/login", "application/x-www-form-urlencoded"),
        ("/access/tokens", "application/x-www-form-urlencoded"),
    ],
)
def test_a_body_that_never_ends_is_refused(
    served: Served, target: str, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the limit of what its address takes."""
    monkeypatch.setattr(upload_bodies, "LIMITS", UploadLimits(body_bytes=2**23))
    before = kept(served)
    head = post_head(served, target, "Transfer-Encoding: chunked", kind=kind)
    answer = send(served.address, head, chunks(2**18))
    assert answer.status == 413, answer.whole[:500]
    assert kept(served) == before


def test_who_sends_a_byte_now_and_then_is_cut_off(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forty of them at once, while others are answered; nothing of them stays."""
    monkeypatch.setattr(bodies, "PATIENCE_S", 1.5)
    before = kept(served)

    def slowly() -> Iterator[bytes]:
        for _ in range(100):
            time.sleep(0.2)
            yield b"1\r\nx\r\n"

    def one(number: int) -> RawAnswer:
        target = "/login" if number % 2 else "/api/campaigns"
        return send(
            served.address, post_head(served, target, "Transfer-Encoding: chunked"), slowly()
        )

    with ThreadPoolExecutor(40) as pool:
        waiting = [pool.submit(one, number) for number in range(40)]
        assert served.client.get("/api/campaigns").status_code == 200
        answers = [each.result() for each in waiting]
    assert {answer.status for answer in answers} == {408}
    assert {answer.n_answers for answer in answers} == {1}
    assert kept(served) == before


@pytest.mark.parametrize(
    "fields",
    [
        ("Content-Length: 4", "Transfer-Encoding: chunked"),
        ("Transfer-Encoding: chunked", "Content-Length: 44"),
        ("Content-Length: 0", "Content-Length: 44"),
        ("Content-Length: 4, 44",),
        ("Content-Length: +4",),
        ("Content-Length: 0x4",),
        ("Content-Length : 4",),
        ("Transfer-Encoding: xchunked",),
        ("Transfer-Encoding: chunked", "Transfer-Encoding: identity"),
        ("Transfer-Encoding:\x0bchunked",),
        ("Transfer-Encoding: chunked, chunked",),
    ],
)
def test_no_second_request_hides_in_a_body(served: Served, fields: tuple[str, ...]) -> None:
    """A request whose length two servers would take for two ends the connection."""
    hidden = head_of(served.address, "GET", "/api/bin", "Connection: keep-alive")
    kind = "application/zip"
    head = post_head(served, "/api/campaigns", *fields, "Connection: keep-alive", kind=kind)
    answer = send(served.address, head, [b"0\r\n\r\n" + hidden])
    assert 400 <= answer.status < 500, answer.whole
    assert answer.n_answers == 1, answer.whole


def test_very_many_headers_are_refused(served: Served) -> None:
    """At the door of the HTTP parser, without a page's worth of memory."""
    head = head_of(
        served.address, "GET", "/", *(f"X-{number}: {number}" for number in range(50_000))
    )
    assert send(served.address, head).status in (400, 431)
    long = head_of(served.address, "GET", "/" + "a" * 10**6)
    assert send(served.address, long).status in (400, 414, 431)


@pytest.mark.parametrize(
    "target",
    [
        "/static/../../../../etc/passwd",
        "/static/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/static/..%2f..%2f..%2f..%2fetc%2fpasswd",
        "/static/..%5c..%5cetc%5cpasswd",
        "/static//etc/passwd",
        "/static/%00",
        "/static/style.css%00.png",
        "//elsewhere.example/",
        "//elsewhere.example/%2f..",
        "/\\elsewhere.example",
        "http://elsewhere.example/",
        "/api/campaigns/1/runs/%2e%2e",
        "/api/campaigns/1/runs/..%2f..%2f..",
        "/api/campaigns/1/runs/1%2fanalysis",
        "/api/campaigns/1/runs/%00",
        "/api/campaigns/1/runs/%ff%fe",
        "/api/campaigns/1/files/..%2f..%2fsecret",
        "/api/campaigns/../../secret",
        "/api/campaigns?search=%00&before=99999999999999999999",
        "/api/campaigns?search=%ff",
        "/api/jobs?state=%00",
        "/?search=%00",
        "/campaigns/1/runs/%0d%0aSet-Cookie:%20a=b",
        "/campaigns/%D9%A1",
        "/campaigns/1e3",
        "/campaigns/1/?speed=nan",
        "/campaigns/1?speed=inf",
        "/login?next=//elsewhere.example",
        "/api/campaigns/",
        "/api/jobs/1/events/",
        "*",
    ],
)
def test_addresses_that_play_tricks_find_nothing(served: Served, target: str) -> None:
    """No file of the machine, no error of the program, and nobody is sent elsewhere."""
    answer = send(served.address, head_of(served.address, "GET", target, "Accept: text/html"))
    assert 200 <= answer.status < 500, answer.whole[:300]
    assert b"root:" not in answer.whole
    assert answer.n_answers == 1
    head = answer.whole.partition(b"\r\n\r\n")[0].lower()
    assert b"set-cookie: a=b" not in head
    if (place := answer.field("location")) is not None:
        assert urlsplit(place).netloc in ("", urlsplit(served.address).netloc)
        assert not place.startswith("//")
    if "login" in target:
        assert b"elsewhere" not in answer.whole


@pytest.mark.parametrize(
    "fields",
    [
        ("Host: elsewhere.example",),
        ("Host: 127.0.0.1",),
        ("Host: 127.0.0.1:1",),
        ("Host: localhost.elsewhere.example",),
        ("Host: 127.0.0.1@elsewhere.example",),
        ("Host: ",),
        ("Host: {own}", "Host: elsewhere.example"),
    ],
)
def test_other_names_are_not_answered_to(served: Served, fields: tuple[str, ...]) -> None:
    """A name of somebody else that points at this machine opens nothing."""
    own = urlsplit(served.address).netloc
    given = tuple(field.format(own=own) for field in fields)
    answer = send(served.address, head_of(served.address, "GET", "/api/campaigns", *given))
    assert answer.status == 400
    assert b'"items"' not in answer.whole


def hostile_campaign(
    folder: Path, title: str, number: str = "1", configuration: str = "bare"
) -> bytes:
    """An archive of one run of these words."""
    run = lift_run("1", 0.03, configuration, 4.0)
    table = run.sheet()
    table["run"] |= {"number": number}
    sheet = changed(CAMPAIGN, ("campaign", "title"), title)
    sheet = changed(sheet, ("campaign", "baseline"), configuration)
    write_runs(folder, [wind_off("0", seconds=4.0), run], sheet)
    write_sheet(folder, "1", table)
    return zipped(folder)


@pytest.mark.parametrize(
    ("words", "key"),
    [
        ({"title": "a\0b"}, "campaign.title"),
        ({"title": "t", "configuration": "a\0"}, "run.configuration"),
        ({"title": "t", "number": "1/2"}, "run.number"),
    ],
)
def test_words_that_cannot_be_kept_are_faults(
    served: Served, tmp_path: Path, words: dict[str, str], key: str
) -> None:
    """In the sheet that states them, at their key."""
    before = kept(served)
    answer = served.upload(hostile_campaign(tmp_path / "campaign", **words))
    assert (answer.status_code, answer.json()["kind"]) == (422, "sheet-faults"), answer.text
    assert key in {fault["key"] for fault in answer.json()["faults"]}
    assert kept(served) == before
    if key.startswith("run"):
        sheet = (tmp_path / "campaign/runs/1.toml").read_text()
        faults = served.post("/api/check-sheet", {"sheet": sheet}).json()["faults"]
        assert key in {fault["key"] for fault in faults}


def test_markup_is_text_on_every_page_and_in_the_report(tmp_path: Path) -> None:
    """Of a title, configuration, run number, search and file; the report is a file to keep."""
    number = "<b>Ω?#%1<|b>"
    archive = hostile_campaign(tmp_path / "campaign", MARKUP, number, MARKUP)
    with serving(ServiceSettings(tmp_path / "service")) as served:
        told = served.upload(archive)
        assert told.status_code == 201, told.text
        runs = served.client.get("/api/campaigns/1/runs").json()["items"]
        run = next(one for one in runs if one["number"] == number)
        assert run["address"].isascii()
        assert served.client.get(run["address"]).json() == run
        job = served.post("/api/campaigns/1/jobs", {"kind": "report"}).json()
        page = run["address"].removeprefix("/api")
        pages = ("/", "/campaigns/1", "/campaigns/1/compare", page, "/jobs/1", "/access", "/bin")
        search = f"/?search={MARKUP.replace('&', '%26').replace('<', '%3C')}"
        require_text(served, (*pages, search, "/campaigns/1/upload", "/docs"))
        assert served.ended(job)["state"] == "done", job
        require_text(served, pages)
        answer = served.client.get(job["result"])
        assert answer.headers["content-disposition"].startswith("attachment;")
        assert "sandbox" in answer.headers["content-security-policy"]
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
        served.delete(run["address"])
        require_text(served, ("/bin", "/campaigns/1"))


def require_text(served: Served, pages: tuple[str, ...]) -> None:
    """No page holds the markup as such."""
    for page in pages:
        answer = served.client.get(page)
        assert answer.status_code == 200, (page, answer.text)
        for word in ("<script>alert", "<img src=x", "<b>Ω"):
            assert word not in answer.text, page


def test_the_same_upload_in_pieces_is_the_same(served: Served, tmp_path: Path) -> None:
    """A body byte by byte at first, then whole: what is slow for a while is not refused."""
    data = zipped(two_configurations(tmp_path / "campaign", 4.0))
    pieces = [f"1\r\n{chr(byte)}\r\n".encode("latin-1") for byte in data[:50]]
    pieces += [f"{len(data) - 50:x}\r\n".encode() + data[50:] + b"\r\n0\r\n\r\n"]
    head = post_head(served, "/api/campaigns", "Transfer-Encoding: chunked")
    assert send(served.address, head, pieces).status == 201
    home = served.client.get("/api/campaigns/1/archive").content
    own = zipfile.ZipFile(io.BytesIO(data))
    back = zipfile.ZipFile(io.BytesIO(home))
    assert {name: back.read(name) for name in back.namelist()} == {
        name: own.read(name) for name in own.namelist()
    }
