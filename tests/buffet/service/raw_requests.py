"""Requests byte by byte, as no well-behaved client sends them."""

from __future__ import annotations

import socket
from collections.abc import Iterable
from contextlib import closing, suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

PATIENCE_S = 20.0


@dataclass(frozen=True)
class RawAnswer:
    """All that came back until the server closed the connection."""

    whole: bytes

    @property
    def status(self) -> int:
        """Of the first answer; 0 where none came."""
        words = self.whole.split(b" ", 2)
        return int(words[1]) if self.whole.startswith(b"HTTP/1.1 ") else 0

    @property
    def n_answers(self) -> int:
        """How many came."""
        return self.whole.count(b"HTTP/1.1 ")

    def field(self, name: str) -> str | None:
        """A header field of the first answer."""
        head = self.whole.partition(b"\r\n\r\n")[0].decode("latin-1")
        for line in head.split("\r\n")[1:]:
            own, _, value = line.partition(":")
            if own.lower() == name:
                return value.strip()
        return None


def connect(address: str) -> socket.socket:
    """To a service."""
    parts = urlsplit(address)
    return socket.create_connection((parts.hostname, parts.port), PATIENCE_S)


def head_of(address: str, method: str, target: str, *fields: str) -> bytes:
    """A request's head, which asks to close afterwards unless the fields say otherwise."""
    own = [f"Host: {urlsplit(address).netloc}"] if not any(f[:5] == "Host:" for f in fields) else []
    own += [] if any(field.startswith("Connection:") for field in fields) else ["Connection: close"]
    return "\r\n".join([f"{method} {target} HTTP/1.1", *own, *fields, "", ""]).encode("latin-1")


def send(address: str, head: bytes, pieces: Iterable[bytes] = ()) -> RawAnswer:
    """Send a head and a body's pieces; an answer that comes early ends the sending."""
    with closing(connect(address)) as line:
        # A server that has closed refuses what still comes.
        with suppress(ConnectionError):
            line.sendall(head)
            line.settimeout(0)
            for piece in pieces:
                if _has_answer(line):
                    break
                line.settimeout(PATIENCE_S)
                line.sendall(piece)
                line.settimeout(0)
        line.settimeout(PATIENCE_S)
        return RawAnswer(_rest(line))


def _has_answer(line: socket.socket) -> bool:
    try:
        return bool(line.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT))
    except BlockingIOError:
        return False


def _rest(line: socket.socket) -> bytes:
    data = b""
    with suppress(ConnectionError):
        while piece := line.recv(65536):
            data += piece
    return data
