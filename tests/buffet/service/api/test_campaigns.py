"""Campaigns over HTTP, in both databases: taken in, listed, changed, put into the bin and back."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from buffet.service import catalogue
from buffet.service.database.engine import writing
from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import lift_run, two_configurations, wind_off
from tests.buffet.service.served import Served, serving, zipped
from tests.ingest.campaigns import toml


@pytest.fixture
def served(settings: ServiceSettings) -> Iterator[Served]:
    """An empty service."""
    with serving(settings) as running:
        yield running


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A small campaign with a file that no sheet names."""
    folder = two_configurations(tmp_path_factory.mktemp("small") / "campaign", 20.0)
    (folder / "notes.txt").write_text("windy")
    return zipped(folder)


def run_parts(number: str, **more: Any) -> list[tuple[str, Any]]:
    """A run as a form's parts."""
    run = lift_run(number, 0.02, "lip", 20.0)
    sheet = toml(run.sheet() | more)
    return [
        ("sheet", (f"{number}.toml", sheet, "text/plain")),
        ("recording", (f"{number}.csv", run.recording(), "text/csv")),
    ]


def add_run(served: Served, parts: list[tuple[str, Any]], **headers: str) -> httpx.Response:
    """Sent to campaign 1."""
    return served.post("/api/campaigns/1/runs", files=parts, headers=headers)


def content_files(served: Served) -> set[str]:
    """Names of what the service keeps."""
    return {path.name for path in served.service.settings.places.blobs.glob("??/*")}


def test_a_campaign_is_taken_in_once(served: Served, archive: bytes) -> None:
    """The same content again is the same campaign; what it holds comes back to the byte."""
    first = served.upload(archive)
    assert (first.status_code, first.headers["location"]) == (201, "/api/campaigns/1")
    told = first.json()
    assert told["left_out"] == ["notes.txt"]
    assert told["campaign"]["configurations"] == ["bare", "spoiler"]
    assert told["campaign"]["runs"] == 3
    again = served.upload(archive)
    assert (again.status_code, again.json()["is_new"]) == (200, False)
    assert [one["id"] for one in served.client.get("/api/campaigns").json()["items"]] == [1]

    files = served.client.get("/api/campaigns/1/files").json()
    packed = zipfile.ZipFile(io.BytesIO(archive))
    own = {name: packed.read(name) for name in packed.namelist() if name != "notes.txt"}
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in own.items()}
    assert {one["name"]: one["sha256"] for one in files} == digests
    lines = "".join(f"{digests[name]}  {name}\n" for name in sorted(own))
    assert told["campaign"]["content_sha256"] == hashlib.sha256(lines.encode()).hexdigest()
    one = files[-1]
    assert served.client.get(f"/api/campaigns/1/files/{one['sha256']}").content == own[one["name"]]
    assert served.client.get(f"/api/campaigns/1/files/{'0' * 64}").status_code == 404

    home = served.client.get("/api/campaigns/1/archive").content
    back = zipfile.ZipFile(io.BytesIO(home))
    assert {name: back.read(name) for name in back.namelist()} == own
    assert served.upload(home).status_code == 200


def test_a_form_takes_a_campaign_too_and_digests_are_checked(
    served: Served, archive: bytes
) -> None:
    """A wrong digest leaves nothing behind."""
    wrong = served.upload(archive, **{"Content-Digest": "sha-256=:" + "A" * 43 + "=:"})
    assert (wrong.status_code, wrong.json()["kind"]) == (400, "digest-mismatch")
    assert served.client.get("/api/campaigns").json()["items"] == []
    assert content_files(served) == set()
    assert list(served.service.settings.places.incoming.iterdir()) == []
    files = {"archive": ("campaign.zip", archive, "application/zip")}
    assert served.post("/api/campaigns", files=files).status_code == 201


def test_faults_are_told_all_at_once(served: Served, tmp_path: Path) -> None:
    """By file and key, as the command line does; nothing is kept."""
    folder = two_configurations(tmp_path / "campaign", 20.0)
    sheet = folder / "runs" / "1.toml"
    sheet.write_text(sheet.read_text().replace("rate", "rat").replace('"40 m/s"', '"40 m"'))
    answer = served.upload(zipped(folder))
    assert (answer.status_code, answer.json()["kind"]) == (422, "sheet-faults")
    keys = {(fault["file"], fault["key"]) for fault in answer.json()["faults"]}
    assert {("runs/1.toml", "sampling.rat"), ("runs/1.toml", "air.speed")} <= keys
    assert content_files(served) == set()


def test_lists_come_in_pages(served: Served) -> None:
    """Newest first, each once, whatever the size of a page."""
    with writing(served.service.engine) as connection:
        for number in range(5):
            run = catalogue.FoundRun(str(number), "wind-on", f"Flügel {number}", "", (), 0, {})
            found = catalogue.Found(f"Tails {number}", None, (), (run,), ())
            stored = [catalogue.StoredFile("campaign.toml", f"{number:064d}", 1)]
            catalogue.add(connection, found, stored, "somebody")
    address, ids = "/api/campaigns?limit=2", []
    while address:
        page = served.client.get(address).json()
        ids += [one["id"] for one in page["items"]]
        address = page["next"]
    assert ids == [5, 4, 3, 2, 1]
    for search, titles in (("tails 3", ["Tails 3"]), ("flügel 2", ["Tails 2"]), ("%", [])):
        found = served.client.get("/api/campaigns", params={"search": search}).json()["items"]
        assert [one["title"] for one in found] == titles
    found = served.client.get("/api/campaigns", params={"search": "4"}).json()["items"]
    assert [one["id"] for one in found] == [5]


def test_runs_come_one_by_one(served: Served, archive: bytes) -> None:
    """A run that waits for its zero is there, and is no longer waiting once that comes."""
    served.upload(archive)
    before = served.client.get("/api/campaigns/1").headers["etag"]
    own = lift_run("3", 0.02, "lip", 20.0).sheet()
    parts = run_parts("3", run=own["run"] | {"zero_after": "4"})
    answer = add_run(served, parts, **{"If-Match": before})
    assert (answer.status_code, answer.json()["is_waiting"]) == (201, True), answer.text
    assert add_run(served, parts).status_code == 200
    told = served.client.get("/api/campaigns/1").json()
    assert "'4'" in told["waiting"][0]["problem"]
    stale = add_run(served, run_parts("5"), **{"If-Match": before})
    assert (stale.status_code, stale.json()["kind"]) == (412, "changed")

    zero = wind_off("4")
    zero_parts = [("sheet", toml(zero.sheet())), ("recording", ("4.csv", zero.recording()))]
    as_form = [("sheet", (None, zero_parts[0][1])), *zero_parts[1:]]
    assert add_run(served, as_form).status_code == 201
    told = served.client.get("/api/campaigns/1").json()
    assert (told["waiting"], told["runs"]) == ([], 5)
    assert told["configurations"] == ["bare", "spoiler", "lip"]

    other = run_parts("3", note="another")
    assert add_run(served, other).status_code in (409, 422)
    numbers = [one["number"] for one in served.client.get("/api/campaigns/1/runs").json()["items"]]
    assert numbers == ["0", "1", "2", "3", "4"]


def test_a_run_goes_into_the_bin_and_comes_back(served: Served, archive: bytes) -> None:
    """With its content; the runs that need it wait meanwhile."""
    served.upload(archive)
    first = served.client.get("/api/campaigns/1").json()
    assert served.delete("/api/campaigns/1/runs/0").status_code == 204
    told = served.client.get("/api/campaigns/1").json()
    assert (told["runs"], told["revision"]) == (2, 2)
    assert told["waiting"][0]["file"] == "runs/1.toml"
    assert served.client.get("/api/bin/campaigns/1/runs").json() == ["0"]
    back = served.post("/api/bin/campaigns/1/runs/0/restore")
    assert (back.status_code, back.json()["number"]) == (200, "0")
    told = served.client.get("/api/campaigns/1").json()
    assert (told["waiting"], told["content_sha256"]) == ([], first["content_sha256"])
    assert served.post("/api/bin/campaigns/1/runs/0/restore").status_code == 404


def test_two_runs_of_one_number_in_the_bin_are_both_kept(served: Served, archive: bytes) -> None:
    """The later one comes back as it was; the earlier one neither with it nor lost by that."""
    served.upload(archive)
    before = content_files(served)
    (_, (name, sheet, kind)), recording = run_parts("3")
    for note in ("first", "second"):
        noted = ("sheet", (name, f"{sheet}\n# {note}\n", kind))
        assert add_run(served, [noted, recording]).status_code == 201
        later = served.client.get("/api/campaigns/1").json()["content_sha256"]
        assert served.delete("/api/campaigns/1/runs/3").status_code == 204
    assert served.post("/api/bin/campaigns/1/runs/3/restore").status_code == 200
    assert served.client.get("/api/campaigns/1").json()["content_sha256"] == later
    assert served.client.get("/api/bin/campaigns/1/runs").json() == ["3"]
    assert served.post("/api/bin/campaigns/1/runs/3/restore").status_code == 409
    served.service.sweep()
    assert len(content_files(served) - before) == 3  # two sheets and their recording


def test_a_sheet_whose_name_is_no_sheets_is_refused(served: Served, archive: bytes) -> None:
    """Campaigns are read by *.toml, and a run that nobody finds would be acknowledged."""
    served.upload(archive)
    (_, (_, sheet, kind)), recording = run_parts("3")
    answer = add_run(served, [("sheet", ("3.TOML", sheet, kind)), recording])
    assert (answer.status_code, answer.json()["kind"]) == (400, "bad-form")
    assert "ends in .toml" in answer.json()["detail"]


def test_a_campaign_goes_into_the_bin_back_and_away_for_good(
    served: Served, archive: bytes
) -> None:
    """Its content goes with the last campaign that has it; its number is never given again."""
    served.upload(archive)
    assert len(content_files(served)) == 7
    job = served.post("/api/campaigns/1/jobs", {"kind": "report"}).json()
    assert served.delete("/api/campaigns/1").status_code == 204
    assert served.ended(served.client.get(job["address"]).json())["state"] == "cancelled"
    gone = served.client.get("/api/campaigns/1")
    assert (gone.status_code, gone.json()["kind"]) == (404, "not-found")
    assert [one["id"] for one in served.client.get("/api/bin").json()["items"]] == [1]
    assert served.post("/api/bin/campaigns/1/restore").json()["id"] == 1
    assert served.delete("/api/bin/campaigns/1").status_code == 404
    assert served.delete("/api/campaigns/1").status_code == 204
    assert served.delete("/api/bin/campaigns/1").status_code == 204
    assert content_files(served) == set()
    assert served.client.get("/api/bin").json()["items"] == []
    assert served.upload(archive).headers["location"] == "/api/campaigns/2"


def test_who_changed_what_is_written_down(served: Served, archive: bytes) -> None:
    """Newest first."""
    served.upload(archive)
    served.delete("/api/campaigns/1")
    log = served.client.get("/api/audit").json()["items"]
    told = [(one["action"], one["object"], one["actor"], one["address"]) for one in log]
    assert told == [
        ("put into bin", "campaign 1", "local", "127.0.0.1"),
        ("upload campaign", "campaign 1", "local", "127.0.0.1"),
    ]


def test_an_unchanged_campaign_is_not_sent_again(served: Served, archive: bytes) -> None:
    """By its ETag, which another revision changes."""
    served.upload(archive)
    tag = served.client.get("/api/campaigns/1").headers["etag"]
    same = served.client.get("/api/campaigns/1", headers={"If-None-Match": f'"x", {tag}'})
    assert (same.status_code, same.content) == (304, b"")
    served.delete("/api/campaigns/1/runs/2")
    assert served.client.get("/api/campaigns/1").headers["etag"] != tag
    refused = served.delete("/api/campaigns/1", **{"If-Match": tag})
    assert refused.status_code == 412


def test_a_sheet_is_checked_as_it_is_typed(served: Served, archive: bytes) -> None:
    """Against the campaign's files and those that come with it."""
    served.upload(archive)
    sheet = toml(lift_run("7", 0.02).sheet())
    typed = {"sheet": sheet, "campaign": 1, "files": ["7.csv"]}
    assert served.post("/api/check-sheet", typed).json() == {"faults": []}
    faults = served.post("/api/check-sheet", typed | {"files": []}).json()["faults"]
    assert [fault["key"] for fault in faults] == ["run.recording"]
    faults = served.post("/api/check-sheet", {"sheet": "format = "}).json()["faults"]
    assert faults


def test_people_get_a_page_where_something_is_wrong(served: Served) -> None:
    """Scripts get the document; what was asked for is shown as text."""
    asked = {"Accept": "text/html"}
    answer = served.client.get("/campaigns/7", headers=asked)
    assert (answer.status_code, answer.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert "campaign 7 is not here" in answer.text
    nowhere = served.client.get("/<b>nowhere", headers=asked)
    assert nowhere.status_code == 404
    assert "<b>" not in nowhere.text
    document = served.client.get("/campaigns/7").json()
    assert (document["kind"], document["status"]) == ("not-found", 404)
