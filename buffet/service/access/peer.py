"""Who is at the other end of a request, and what it asks: from its head, and from its proxy's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from typing import Any

from buffet.service.access.errors import ForbiddenError
from buffet.service.settings import ServiceSettings

FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto")


@dataclass(frozen=True)
class Head:
    """Header fields of a request, names in lower case."""

    fields: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, headers: Iterable[tuple[bytes, bytes]]) -> Head:
        """As ASGI hands them over."""
        return cls(
            tuple(
                (name.decode("latin-1").lower(), value.decode("latin-1")) for name, value in headers
            )
        )

    def all(self, name: str) -> tuple[str, ...]:
        """Every value of a field."""
        return tuple(value.strip() for own, value in self.fields if own == name)

    def one(self, name: str) -> str | None:
        """The value of a field that may come once; None where it is missing or comes twice."""
        found = self.all(name)
        return found[0] if len(found) == 1 else None


@dataclass(frozen=True)
class Peer:
    """The other end, a trusted proxy looked through."""

    address: str
    host: str | None  # what it asks for
    scheme: str
    is_direct: bool  # nothing says that another machine stands behind it


def peer_of(scope: dict[str, Any], head: Head, settings: ServiceSettings) -> Peer:
    """Of a request; only the proxy that the settings name is believed what it forwards.

    Raises
    ------
    ForbiddenError
        The service stands behind a proxy, and somebody came past it or unencrypted.
    """
    client = scope.get("client")
    address = client[0] if client else "local"
    if settings.proxy is None:
        is_direct = not any(head.all(name) for name in FORWARDED)
        return Peer(address, head.one("host"), scope["scheme"], is_direct)
    if not same_address(address, settings.proxy):
        raise ForbiddenError("this service is reached through its proxy alone")
    if _last(head, "x-forwarded-proto") not in (None, "https"):
        raise ForbiddenError("this service is reached by https alone")
    return Peer(
        _last(head, "x-forwarded-for") or address,
        _last(head, "x-forwarded-host") or head.one("host"),
        "https",
        False,
    )


def _last(head: Head, name: str) -> str | None:
    """What the proxy itself added; whatever stands before it, its client may have invented."""
    words = [word.strip() for value in head.all(name) for word in value.split(",")]
    return words[-1] or None if words else None


def same_address(left: str, right: str) -> bool:
    """Whether two addresses are one, however they are written."""
    return _plain(left) == _plain(right)


def _plain(address: str) -> str:
    try:
        parsed = ip_address(address)
    except ValueError:
        return address.lower()
    if isinstance(parsed, IPv6Address) and parsed.ipv4_mapped:
        return str(parsed.ipv4_mapped)
    return str(parsed)
