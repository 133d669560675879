"""A request's body on its way in: not larger than its address takes, and not slower than a line is.

Who sends a byte a second holds a connection and, with an upload, a file; a thousand of them hold
all that the server may open. Answers are not timed: event streams last.

What is not bounded here are connections that never send a whole head: uvicorn waits for it. They
cost a handle each and nothing else; where others than the team reach the port, the proxy in front
bounds them.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from starlette.exceptions import HTTPException

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]

# Of what is no upload: documents and forms, which are held in memory; a sheet that is typed has a
# quarter of this.
LARGEST_SMALL = 4 * 2**20
# Silence that a line may have, and the least it brings beside; a modem brings three times as much
# (engineering judgement).
PATIENCE_S = 30.0
SLOWEST_BYTES_PER_S = 2000.0


class Body:
    """Hands a body on as it comes; `allow_large` is called where files are taken in."""

    def __init__(self, receive: Receive, clock: Callable[[], float] = time.monotonic) -> None:
        self._receive, self._clock = receive, clock
        self._largest: int | None = LARGEST_SMALL
        self._size, self._waited_s, self._is_over = 0, 0.0, False

    def allow_large(self) -> None:
        """Whoever reads it counts its bytes."""
        self._largest = None

    async def __call__(self) -> Message:
        """The next message.

        Raises
        ------
        HTTPException
            The body is too large (413), or comes too slowly (408).
        """
        if self._is_over:
            return await self._receive()
        begun = self._clock()
        left = PATIENCE_S + self._size / SLOWEST_BYTES_PER_S - self._waited_s
        try:
            message = await asyncio.wait_for(self._receive(), max(left, 0.001))
        except TimeoutError:
            raise HTTPException(
                408,
                f"{self._size} bytes of the body came in {self._waited_s + left:.0f} s: send it "
                "again where the line is better",
                {"Connection": "close"},
            ) from None
        self._waited_s += self._clock() - begun
        self._size += len(message.get("body", b""))
        self._is_over = not message.get("more_body", False)
        if self._largest is not None and self._size > self._largest:
            raise HTTPException(
                413,
                f"the body is larger than {self._largest} bytes; files are sent to the addresses "
                "that take them",
                {"Connection": "close"},
            )
        return message
