"""Who shows what: looked up in the database once in a few seconds, remembered in between."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Literal

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import SQLAlchemyError

from buffet.service.access import sessions, tokens
from buffet.service.access.errors import UnavailableError
from buffet.service.access.roles import LOCAL, Principal
from buffet.service.access.tokens import Token
from buffet.service.database.engine import reading, writing
from buffet.service.errors import FolderError

_LOG = logging.getLogger(__name__)
REMEMBERED_S = 5.0  # as long as a token lives on that another process revoked
CAPACITY = 1000


@dataclass(frozen=True)
class Shown:
    """What a request shows of who sends it."""

    by: Literal["token", "session", "nothing"]
    value: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """Under which it is remembered; not the secret itself."""
        return self.by, tokens.digest(self.value)


class Identities:
    """The principals behind tokens, sessions and, while no token was made, the machine itself."""

    def __init__(
        self, engine: Engine, clock: Callable[[], float], capacity: int = CAPACITY
    ) -> None:
        self._engine, self._clock, self._capacity = engine, clock, capacity
        self._known: dict[tuple[str, str], tuple[Principal, float]] = {}
        self._generation = 0
        self._lock = Lock()

    def forget(self) -> None:
        """Look everybody up anew; after each change of tokens or sessions has been kept."""
        with self._lock:
            self._generation += 1
            self._known.clear()

    def remembered(self, shown: Shown) -> Principal | None:
        """Who it is, without a look into the database."""
        with self._lock:
            principal, until = self._known.get(shown.key, (None, 0.0))
        return principal if self._clock() < until else None

    def look_up(self, shown: Shown) -> Principal | None:
        """Who it is by the database, or None; notes that the token was used.

        Raises
        ------
        UnavailableError
            The database does not answer.
        """
        try:
            return self._look_up(shown)
        except (FolderError, SQLAlchemyError) as error:
            _LOG.error("nobody can be let in: %s", error)
            raise UnavailableError("the service's database does not answer; try again") from error

    def _look_up(self, shown: Shown) -> Principal | None:
        now, generation = self._clock(), self._generation
        with reading(self._engine) as connection:
            principal, token = _found(connection, shown, now)
        if token is not None and token.is_to_be_noted(now):
            self._note(token, now)
        if principal is not None:
            until = now + REMEMBERED_S
            if token is not None:
                until = min(until, token.expires_at)
            self._remember(shown, principal, until, generation)
        return principal

    def _note(self, token: Token, now: float) -> None:
        try:
            with writing(self._engine) as connection:
                tokens.note_use(connection, token.id, now)
        except FolderError:  # another's change takes long: nobody is kept out for a note
            return

    def _remember(self, shown: Shown, principal: Principal, until: float, generation: int) -> None:
        with self._lock:
            if generation != self._generation:  # revoked while it was looked up
                return
            if len(self._known) >= self._capacity:
                self._known.clear()
            self._known[shown.key] = principal, until


def _found(
    connection: Connection, shown: Shown, now: float
) -> tuple[Principal | None, Token | None]:
    if shown.by == "nothing":
        return (None if tokens.were_made(connection) else LOCAL), None
    if shown.by == "token":
        token = tokens.authenticate(connection, shown.value, now)
        return (Principal(token.name, token.role, token.id) if token else None), token
    found = sessions.find(connection, shown.value, now)
    if found is None:
        return None, None
    token, number = found
    return Principal(token.name, token.role, token.id, number), token
