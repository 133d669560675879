"""Three roles, each of which may do what the one before may."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from buffet.service.access.errors import ForbiddenError, NotSignedInError


class Role(IntEnum):
    """In the order of what they may."""

    READER = 1  # look and download
    ENGINEER = 2  # upload, start and cancel analyses, put into the bin and back
    OWNER = 3  # delete for good, tokens, audit log

    @property
    def word(self) -> str:
        """As it is written and stored."""
        return self.name.lower()

    @classmethod
    def of(cls, word: str) -> Role:
        """The role of a word; KeyError for any other."""
        return {role.word: role for role in cls}[word]


WORDS = tuple(role.word for role in Role)


@dataclass(frozen=True)
class Principal:
    """Who asks."""

    name: str  # of the token
    role: Role
    token_id: int | None = None
    session_id: int | None = None  # of the browser, where one was signed in with the token


# Whoever sits at the machine, while no token has been made.
LOCAL = Principal("local", Role.OWNER)


def require(principal: Principal | None, role: Role) -> Principal:
    """The principal, where it may do what a role may.

    Raises
    ------
    NotSignedInError
        Nobody is known.
    ForbiddenError
        Its role is a lower one.
    """
    if principal is None:
        raise NotSignedInError(
            "nobody is signed in: send a token as `Authorization: Bearer …`, or sign in at /login"
        )
    if principal.role < role:
        raise ForbiddenError(
            f"this needs the role {role.word}, and {principal.name} has {principal.role.word}: "
            "ask an owner for another token"
        )
    return principal
