"""What the service tells its users: one problem each, as an HTTP status and a stable word.

ServiceError
├── NotFoundError       no such campaign, run, job or result
├── ConflictError       the state does not allow it, or it changed meanwhile
├── FolderError         a folder that cannot be served
├── QueueFullError      as many jobs wait as may
├── ChangedError        another revision than the client saw
├── NotComputedError    a result that no analysis has computed yet
└── (access: errors.py of that package; uploads: intake/errors.py)
"""

from __future__ import annotations

from http import HTTPStatus

from buffet.errors import BuffetError

PROBLEM_TYPE = "application/problem+json"


class ServiceError(BuffetError):
    """A request that cannot be answered; the text says why and what to do."""

    status = 400  # of HTTP
    kind = "bad-request"  # names the problem for scripts; never changes

    @property
    def headers(self) -> dict[str, str]:
        """What the answer's head says of it, beside the status."""
        return {}


class NotFoundError(ServiceError):
    """What an address names is not there, or is in the bin."""

    status, kind = 404, "not-found"


class ConflictError(ServiceError):
    """Another change came first, or the present state does not allow this one."""

    status, kind = 409, "conflict"


class QueueFullError(ServiceError):
    """As many jobs wait as may."""

    status, kind = 503, "queue-full"


class FolderError(ServiceError):
    """A folder or database that cannot be served."""

    status, kind = 500, "folder"


class ChangedError(ServiceError):
    """What a client saw is not there any more in that form."""

    status, kind = 412, "changed"


class NotComputedError(ServiceError):
    """A result that no analysis has computed yet."""

    status, kind = 404, "not-computed"

    def __init__(self, jobs: str, request: dict[str, object]) -> None:
        super().__init__(
            f"this is not computed yet; start it by POST {jobs} with the document in `request`"
        )
        self.more = {"jobs": jobs, "request": request}


def problem_document(status: int, kind: str, detail: str, **more: object) -> dict[str, object]:
    """A problem's details after RFC 9457, with `kind` for scripts.

    Its type is `about:blank`, which says that title and status are HTTP's own.
    """
    return {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "kind": kind,
        **more,
    }


def problem(error: ServiceError) -> dict[str, object]:
    """The problem document of an error."""
    return problem_document(error.status, error.kind, str(error))
