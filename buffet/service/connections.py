"""Connections that bring no request: closed after a while, where the server waited for ever."""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

# For a request's head to be whole, from the connection or its own first byte on (judgement: a head
# has a kilobyte or two). Bodies have a bound of their own (`access.bodies`).
PATIENCE_S = 30.0


class Connection(H11Protocol):
    """As the server's own; who sends nothing, or a head byte by byte, holds it no longer."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head."""
        super().connection_made(transport)
        self._look()

    def data_received(self, data: bytes) -> None:
        """A piece of a head or of a body."""
        super().data_received(data)
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is waited for any more."""
        super().connection_lost(exc)
        self._stop_waiting()

    def _look(self) -> None:
        is_answering = self.cycle is not None and not self.cycle.response_complete
        if is_answering:
            self._stop_waiting()
        elif self._waiting is None:
            self._waiting = self.loop.call_later(PATIENCE_S, self.transport.close)

    def _stop_waiting(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
