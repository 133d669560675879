"""Why a request goes no further.

ServiceError
├── NotSignedInError      nobody is known by what the request shows
├── ForbiddenError        a role that may not do this
├── WrongHostError        a Host that this service does not answer for
├── WrongOriginError      a change asked for by a page of elsewhere
├── FormTokenError        a form that this service did not make for this browser
├── TooManyRequestsError  more than a user may ask in that time
├── SecretInAddressError  a token where logs would keep it
├── UnavailableError      the database does not answer
├── TokenError            a token that cannot be made
└── UnsafeError           settings that would let anybody in
"""

from __future__ import annotations

from math import ceil

from buffet.service.errors import ServiceError


class NotSignedInError(ServiceError):
    """Nobody is known by what the request shows."""

    status, kind = 401, "not-signed-in"

    @property
    def headers(self) -> dict[str, str]:
        """How to show who one is."""
        return {"WWW-Authenticate": 'Bearer realm="buffet"'}


class ForbiddenError(ServiceError):
    """A role that may not do this."""

    status, kind = 403, "forbidden"


class WrongHostError(ServiceError):
    """A Host that this service does not answer for."""

    status, kind = 400, "wrong-host"


class WrongOriginError(ServiceError):
    """A change asked for by a page of elsewhere."""

    status, kind = 403, "wrong-origin"


class FormTokenError(ServiceError):
    """A form that this service did not make for this browser."""

    status, kind = 403, "form-token"


class TooManyRequestsError(ServiceError):
    """More than a user may ask in that time."""

    status, kind = 429, "too-many-requests"

    def __init__(self, what: str, wait_s: float) -> None:
        self.wait_s = max(1, ceil(wait_s))
        super().__init__(f"too many {what}; try again in {self.wait_s} s")

    @property
    def headers(self) -> dict[str, str]:
        """When to come back."""
        return {"Retry-After": str(self.wait_s)}


class SecretInAddressError(ServiceError):
    """A token where logs would keep it."""

    status, kind = 400, "token-in-address"


class AmbiguousBodyError(ServiceError):
    """A request that two servers would take for different ones."""

    status, kind = 400, "ambiguous-body"

    @property
    def headers(self) -> dict[str, str]:
        """Nothing that follows on the connection can be trusted."""
        return {"Connection": "close"}


class UnavailableError(ServiceError):
    """The database does not answer; where it stands is for the log alone."""

    status, kind = 503, "unavailable"


class TokenError(ServiceError):
    """A token that cannot be made."""

    status, kind = 422, "token"


class UnsafeError(ServiceError):
    """Settings that would let anybody in."""

    status, kind = 500, "unsafe"
