"""Pages of jobs, and of what went wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from buffet.service.pages.entries import JobEntry
from buffet.service.pages.frame import Frame, render

REFRESH_S = 3  # without scripts the page asks again


@dataclass(frozen=True)
class JobStatus:
    """A job and how far it is."""

    job: JobEntry
    text: str  # of the last progress
    share: float | None  # of the work done, 0 to 1; None where not known
    ahead: int = 0  # jobs that wait before it
    result: str | None = None  # address of what it made


def job_page(frame: Frame, data: JobStatus) -> str:
    """Progress of one job; scripts follow its events, else the page asks again by itself."""
    return render("job", frame, {"data": data, "job": data.job, "refresh": REFRESH_S})


def problem_page(frame: Frame, problem: Mapping[str, Any]) -> str:
    """A problem document (RFC 9457) for people.

    Parameters
    ----------
    problem : `status`, `title`, `detail` and, where there are several, `faults`: texts, or objects
        of `file`, `key` and `problem`
    """
    status = int(problem.get("status", 500))
    values = {
        "status": status,
        "title": problem.get("title") or HTTPStatus(status).phrase,
        "detail": problem.get("detail") or "",
        "faults": [_fault(one) for one in problem.get("faults") or ()],
    }
    return render("problem", frame, values)


def _fault(fault: str | Mapping[str, Any]) -> tuple[str, str]:
    """Where, and what is wrong there."""
    if isinstance(fault, str):
        return "", fault
    where: Sequence[str] = [str(fault[key]) for key in ("file", "key") if fault.get(key)]
    return ", ".join(where), str(fault.get("problem", ""))
