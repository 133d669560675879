"""The service as a running server: its socket, its start and its graceful stop."""

from __future__ import annotations

import os
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import replace
from types import FrameType

import uvicorn

from buffet.service.access.startup import require_safe
from buffet.service.app import guarded
from buffet.service.connections import Connection
from buffet.service.database.engine import reading
from buffet.service.errors import FolderError
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service

GRACE_S = 10  # for answers that are under way when the server is asked to stop


def serve(settings: ServiceSettings, told: Callable[[str], None]) -> None:
    """Serve until a signal asks to stop.

    Parameters
    ----------
    told : called with the address once it answers

    Raises
    ------
    FolderError
        The folder, its database, the certificate or the address cannot be served.
    UnsafeError
        These settings would let anybody in.
    """
    _require_certificate(settings)
    bound = _bound(settings)
    with bound:
        settings = replace(settings, port=bound.getsockname()[1])
        service = Service(settings)
        try:
            with reading(service.engine) as connection:
                require_safe(settings, connection, time.time())
        except BaseException:
            service.close()
            raise
        config = uvicorn.Config(
            guarded(service),
            http=Connection,
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,  # the guard believes the one proxy that is named
            timeout_graceful_shutdown=GRACE_S,
            timeout_keep_alive=20,
            ssl_certfile=settings.tls_certificate,
            ssl_keyfile=settings.tls_key,
        )
        _Server(config, service, lambda: told(address_of(settings))).run(sockets=[bound])


class _Server(uvicorn.Server):
    """Ends event streams before it waits for answers under way; exits with 0 after a signal."""

    def __init__(
        self, config: uvicorn.Config, service: Service, on_start: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._service, self._on_start = service, on_start

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._on_start()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._service.end_streams()
        await super().shutdown(sockets)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """The first signal stops; the second ends at once, as if killed, which loses nothing.

        Runs between any two instructions of the main thread, so it takes no lock. The base class
        would raise the signal again at the end, and so hide that all went well.
        """
        if self.should_exit:
            os._exit(1)
        self.should_exit = True


def address_of(settings: ServiceSettings) -> str:
    """Where people find it."""
    scheme = "https" if settings.tls_certificate else "http"
    host = settings.names[0] if settings.names else settings.host
    shown = f"[{host}]" if ":" in host else host
    return f"{scheme}://{shown}:{settings.port}/"


def _require_certificate(settings: ServiceSettings) -> None:
    """So that a mistake in it is told in words; the server would pass on the library's."""
    certificate, key = settings.tls_certificate, settings.tls_key
    if certificate is None or key is None:
        return
    for file in (certificate, key):
        try:
            file.open("rb").close()
        except OSError as error:
            raise FolderError(f"{file}: cannot be read: {error.strerror}") from error
    try:
        # Without a password a key that has one would have the terminal ask.
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key, "")
    except (OSError, ValueError) as error:
        raise FolderError(
            f"{certificate}, {key}: are no certificate and its key ({error}); wanted PEM files "
            "that belong together, the key without a password"
        ) from error


def _bound(settings: ServiceSettings) -> socket.socket:
    """The socket, so that an address that is taken is told before anything is opened."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((settings.host, settings.port))
    except OSError as error:
        bound.close()
        raise FolderError(
            f"{settings.host}:{settings.port} cannot be served: {error.strerror}; "
            "choose another with --host and --port"
        ) from error
    return bound
