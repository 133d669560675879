"""Every page of the service from plain data, with names that hurt careless pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from buffet.service.pages.access import Access, AuditEntry, TokenEntry, access_page, login_page
from buffet.service.pages.campaigns import (
    BinnedCampaign,
    BinnedRun,
    CampaignBoard,
    CampaignList,
    ListedCampaign,
    bin_page,
    board_page,
    list_page,
)
from buffet.service.pages.compare import ComparePage, compare_page
from buffet.service.pages.docs import docs_page
from buffet.service.pages.entries import CampaignEntry, JobEntry, RunEntry
from buffet.service.pages.frame import Frame, Pager, Role
from buffet.service.pages.jobs import JobStatus, job_page, problem_page
from buffet.service.pages.run import RunData, run_page
from buffet.service.pages.uploads import Upload, upload_page

Document = Mapping[str, Any]

TOKEN = "form-token-of-this-session"
NOW = 1_772_446_440.0  # 2026-03-02 10:14 UTC
NASTY = """"><script>alert('1')</script> & <b>"""
NASTY_NUMBER = "0/14 <i>"
FAULTS = (("run.number", NASTY), ("", "no recording"))
PROBLEM: Document = {
    "status": 422,
    "title": NASTY,
    "detail": NASTY,
    "faults": [NASTY, {"file": "runs/1.toml", "key": "run", "problem": NASTY}],
}
OPENAPI: Document = {
    "info": {"title": "Buffeting", "description": "Send `a` token, or <b>."},
    "paths": {
        "/api/campaigns/{id}": {
            "parameters": [
                {"name": "id", "in": "path", "required": True, "schema": {"type": "integer"}}
            ],
            "get": {
                "tags": ["campaigns"],
                "operationId": "campaign",
                "summary": "One campaign",
                "responses": {"200": {"description": "It", "content": {"application/json": {}}}},
            },
        },
        "/api/check-sheet": {
            "post": {
                "tags": ["uploads"],
                "summary": f"Faults of a run sheet {NASTY}",
                "requestBody": {
                    "content": {
                        "application/json": {"schema": {"$ref": "#/components/schemas/Sheet"}}
                    }
                },
                "responses": {"200": {"description": "All faults"}},
            }
        },
    },
    "components": {
        "schemas": {
            "Sheet": {
                "properties": {
                    "sheet": {"type": "string"},
                    "campaign": {"anyOf": [{"type": "integer"}, {"type": "null"}]},
                    "kind": {"enum": ["wind-on", "wind-off"]},
                    "taps": {"type": "array", "items": {"type": "number"}},
                }
            }
        }
    },
}


@dataclass(frozen=True)
class Documents:
    """Results that pages show."""

    board: Document
    comparison: Document
    spectra: Document  # of one run
    signals: Document


def frame(role: Role | None = "owner") -> Frame:
    """Of a user with that role; None: of nobody."""
    return Frame(None if role is None else f"Ada {NASTY}", role, TOKEN)


def campaign(title: str) -> CampaignEntry:
    """One of the catalogue."""
    return CampaignEntry(3, title, "bare tailgate", ("bare tailgate", NASTY), 8, NOW, NASTY)


def runs(spectra: Document) -> tuple[RunEntry, ...]:
    """Two, one with a number that no address takes as it is."""
    return (
        RunEntry(spectra["run"], "wind-on", spectra["configuration"], 1_234_567),
        RunEntry(NASTY_NUMBER, "wind-off", None, 0, is_waiting=True),
    )


def job(**changes: Any) -> JobEntry:
    """A running board."""
    own = JobEntry(7, 3, NASTY, "board", "running", NOW, NASTY, started_at=NOW + 1)
    return replace(own, **changes)


def board(docs: Documents, role: Role | None, speed_km_h: float | None = None) -> str:
    """The board at a speed."""
    own = campaign(docs.board["title"])
    jobs = (job(), job(id=6, state="failed", error=NASTY, ended_at=NOW))
    data = CampaignBoard(own, runs(docs.spectra), docs.board, None, jobs, speed_km_h)
    return board_page(frame(role), data)


def every_page(docs: Documents, role: Role | None = "owner") -> dict[str, str]:
    """HTML by a page's address; some addresses stand for a state of the same page."""
    who, own = frame(role), campaign(docs.board["title"])
    listed = ListedCampaign(own, "rated", "likely: bare")
    watched = replace(own, watched=NASTY, waiting=(f"run 12: {NASTY}",))
    waiting = replace(listed, campaign=watched, watching=True)
    pager = Pager("1 to 50 of 120", None, "/?after=50")
    data = RunData(own, runs(docs.spectra)[0], docs.signals, None, docs.spectra, None)
    return {
        "/": list_page(who, CampaignList((listed, waiting), NASTY, pager)),
        "/?empty": list_page(who, CampaignList((), "", Pager("none", None, None))),
        "/campaigns/3": board(docs, role),
        "/campaigns/4": board_page(
            who, CampaignBoard(watched, (), None, "It was not analysed.", watching=True)
        ),
        f"/campaigns/3/runs/{data.run.number}": run_page(who, data),
        "/campaigns/3/runs/lost": run_page(
            who, RunData(own, runs(docs.spectra)[1], None, "No signals.", None, "No spectra.")
        ),
        "/campaigns/3/compare": compare_page(who, ComparePage(own, docs.comparison, None)),
        "/campaigns/4/compare": compare_page(who, ComparePage(own, None, NASTY)),
        "/upload": upload_page(who, Upload(largest_bytes=2 * 10**9)),
        "/campaigns/3/upload": upload_page(
            who, Upload(own, None, f"format = 1 # </textarea>{NASTY}", "2 faults", FAULTS)
        ),
        "/jobs/7": job_page(who, JobStatus(job(), f"reading {NASTY}", 0.4)),
        "/jobs/8": job_page(who, JobStatus(job(state="queued", started_at=None), "", None, 2)),
        "/jobs/9": job_page(who, JobStatus(job(state="done"), "", 1.0, result="/campaigns/3")),
        "/bin": bin_page(
            who,
            [BinnedCampaign(own, NOW, NASTY, 5_000)],
            [BinnedRun(own, NASTY_NUMBER, NOW, 10, "/bin/runs/1/restore")],
        ),
        "/login": login_page(frame(None), f"/campaigns/3?x={NASTY}", "No such token."),
        "/access": access_page(who, access(pager)),
        "/problem": problem_page(who, PROBLEM),
        "/docs": docs_page(who, OPENAPI),
    }


def access(pager: Pager) -> Access:
    """Tokens in every state, and one line of the log."""
    token = TokenEntry(1, NASTY, "engineer", NOW, NOW + 1e6, None, NOW)
    tokens = (token, replace(token, id=2, revoked_at=NOW), replace(token, id=3, expires_at=NOW))
    log = (AuditEntry(NOW, NASTY, "owner", "127.0.0.1", "upload", NASTY, NASTY),)
    return Access(tokens, log, pager, NOW + 10, "new-secret", NASTY)
