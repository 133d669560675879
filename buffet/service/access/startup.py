"""What must be so before a service answers anybody."""

from __future__ import annotations

import stat
from ipaddress import ip_address
from pathlib import Path

from sqlalchemy import Connection

from buffet.service.access.errors import UnsafeError
from buffet.service.access.hosts import is_wildcard
from buffet.service.access.tokens import has_owner
from buffet.service.errors import FolderError
from buffet.service.settings import ServiceSettings


def require_safe(settings: ServiceSettings, connection: Connection, now: float) -> None:
    """Nothing, where nobody is let in who should not be: on this machine alone, or with all locks.

    Raises
    ------
    UnsafeError
        A lock is missing; the error names all that are.
    """
    missing = _half_encrypted(settings)
    if not settings.is_loopback:
        missing += _open_to_others(settings, connection, now)
    if missing:
        raise UnsafeError(
            f"the service does not start at {settings.host}:{settings.port}:\n  "
            + "\n  ".join(missing)
        )


def _half_encrypted(settings: ServiceSettings) -> list[str]:
    if (settings.tls_certificate is None) == (settings.tls_key is None):
        return []
    return ["TLS needs both --tls-certificate and --tls-key"]


def _open_to_others(settings: ServiceSettings, connection: Connection, now: float) -> list[str]:
    """What is missing where others reach it."""
    missing = []
    if settings.proxy is not None and not _is_address(settings.proxy):
        missing.append(f"--proxy wants the proxy's IP address, got {settings.proxy!r}")
    if not has_owner(connection, now):
        missing.append(
            "no owner's token lives; make one with: buffet token create "
            f"{settings.folder} --name NAME --role owner"
        )
    if not settings.is_encrypted:
        missing.append(
            "tokens would cross the network readable: give --tls-certificate and --tls-key, or "
            "--proxy ADDRESS of the one in front that ends TLS; or stay on 127.0.0.1"
        )
    if not settings.names and (settings.proxy is not None or is_wildcard(settings.host)):
        missing.append("the host name that people will use is not known: give --name NAME")
    return missing


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def private_folder(folder: Path) -> str | None:
    """Make a service's folder, for its user alone; a remark where others can look into it.

    Raises
    ------
    FolderError
        It cannot be made, or is no folder.
    """
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        mode = stat.S_IMODE(folder.stat().st_mode)
    except OSError as error:
        raise FolderError(f"{folder}: cannot be made: {error.strerror}") from error
    if mode & 0o077:
        return (
            f"{folder}: other users of this machine can look into it (mode {mode:03o}); "
            f"chmod 700 {folder}"
        )
    return None
