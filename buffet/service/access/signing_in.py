"""Signing in and out of a browser."""

from __future__ import annotations

from sqlalchemy import Engine

from buffet.service.access import audit, sessions, tokens
from buffet.service.access.errors import NotSignedInError
from buffet.service.access.identities import Identities
from buffet.service.access.rate_limits import RateLimits, network_of
from buffet.service.access.roles import Principal
from buffet.service.access.sessions import NewSession
from buffet.service.database.engine import reading, writing

NO_SUCH_TOKEN = "that token opens nothing: it was mistyped, has expired or was revoked"


def sign_in(
    engine: Engine, limits: RateLimits, secret: str, address: str, now: float
) -> NewSession:
    """A session for who holds a token.

    Raises
    ------
    NotSignedInError
        The token opens nothing.
    TooManyRequestsError
        So did too many from that address.
    """
    with reading(engine) as connection:  # a wrong token keeps no writer waiting
        is_known = tokens.authenticate(connection, secret.strip(), now) is not None
    if not is_known:
        raise failed(limits, address, now)
    with writing(engine) as connection:
        token = tokens.authenticate(connection, secret.strip(), now)
        if token is not None:
            session = sessions.begin(connection, token, now)
            tokens.note_use(connection, token.id, now)
            audit.record(
                connection, session.principal, address, "sign in", f"token {token.id}", {}, now
            )
            return session
    raise failed(limits, address, now)


def failed(limits: RateLimits, address: str, now: float) -> NotSignedInError:
    """What to raise for a token that opens nothing.

    Only what fails is counted: 256 bits are not guessed, and whoever stands behind the same
    address with a token that lives is not kept out by a script whose token expired.

    Raises
    ------
    TooManyRequestsError
        Too many failed from that address.
    """
    limits.failures.take(network_of(address), now)
    return NotSignedInError(NO_SUCH_TOKEN)


def sign_out(
    engine: Engine, identities: Identities, principal: Principal, address: str, now: float
) -> None:
    """End the browser's session; nothing where it has none."""
    if principal.session_id is None:
        return
    with writing(engine) as connection:
        sessions.end(connection, principal.session_id)
        audit.record(
            connection, principal, address, "sign out", f"token {principal.token_id}", {}, now
        )
    identities.forget()


def page_after(given: str | None) -> str:
    """Where a browser goes once signed in: a page of ours, whatever the address says."""
    is_ours = given is not None and given.startswith("/") and given.isprintable()
    if given is None or not is_ours or given[1:2] in ("/", "\\"):
        return "/"
    return given
