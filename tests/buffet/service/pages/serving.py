"""A tiny server of pages and static files with the service's headers, for browsers in tests."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any
from urllib.parse import unquote, urlsplit

from buffet.service.pages.assets import asset

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
FAULTS = {"faults": [{"file": "", "key": "run.number", "problem": "is <b>missing</b>"}]}
EVENTS = 'event: progress\ndata: {"text": "run 3 of 8", "share": 0.375}\n\n'

# Address with its query to HTML; None where there is no such page.
Pages = Callable[[str, str], str | None]


class _Server(ThreadingHTTPServer):
    """One whose browser may leave before a file has come."""

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of that."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


@contextmanager
def served(pages: Pages) -> Iterator[str]:
    """Serve on a free port of this machine; gives the address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked = urlsplit(self.path)
            if asked.path.startswith("/static/"):
                found = asset(asked.path.removeprefix("/static/"))
                if found is not None:
                    self._send(found.content, found.media_type)
                    return
            if asked.path.endswith("/events"):
                self._send(EVENTS.encode(), "text/event-stream")
                return
            page = pages(unquote(asked.path), asked.query)
            if page is None:
                self.send_error(404)
            else:
                self._send(page.encode(), "text/html; charset=utf-8")

        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"] or 0))
            self._send(json.dumps(FAULTS).encode(), "application/json")

        def _send(self, content: bytes, media_type: str) -> None:
            self.send_response(200)
            self.send_header("Content-Type", media_type)
            self.send_header("Content-Length", str(len(content)))
            self.send_header("Content-Security-Policy", POLICY)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = _Server(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
