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

from buffet.errors import BuffetError


class ServiceError(BuffetError):
    """A request that cannot be answered; the text says why and what to do."""

    status = 400  # of HTTP
    kind = "bad-request"  # names the problem for scripts; never changes


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
