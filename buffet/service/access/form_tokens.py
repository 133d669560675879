"""Form tokens: that a form was made here, for the browser that sends it.

HMAC-SHA-256 of what that browser alone holds in a cookie, with the service's secret. It comes on
top of the check of Origin, and holds where a browser sends none.
"""

from __future__ import annotations

import hmac
import os
import secrets
import stat
import tempfile
from hashlib import sha256
from pathlib import Path

from buffet.service.access.errors import FormTokenError
from buffet.service.errors import FolderError
from buffet.service.settings import Places

FIELD = "form_token"  # name of the hidden field
BROWSER_COOKIE = "buffet_browser"  # of a browser that has no session
BROWSER_S = 30 * 86400.0
N_BYTES = 32


def form_token(secret: bytes, browser: str) -> str:
    """Of a browser, by its session's or its own cookie."""
    return hmac.new(secret, b"form\0" + browser.encode(), sha256).hexdigest()


def require_form_token(wanted: str | None, given: str | None) -> None:
    """Nothing, where a form is one of ours; `wanted` is the request's, by the guard.

    Who showed a token needs none (`wanted` is None): no browser adds it by itself.

    Raises
    ------
    FormTokenError
        It is not, or the browser has changed its session meanwhile.
    """
    if wanted is not None and not hmac.compare_digest(wanted.encode(), (given or "").encode()):
        raise FormTokenError(
            "this form was not made for this browser, or it was opened before signing in: "
            "load the page again and send it once more"
        )


def secret_of(places: Places) -> bytes:
    """The service's secret of 32 random bytes, made where there is none yet.

    Raises
    ------
    FolderError
        It cannot be read or written, others may read it, or it is not whole.
    """
    try:
        if not places.secret.exists():
            _make(places.secret)
        mode = stat.S_IMODE(places.secret.stat().st_mode)
        value = places.secret.read_bytes()
    except OSError as error:
        raise FolderError(f"{places.secret}: {error.strerror}") from error
    if mode & 0o077:
        raise FolderError(
            f"{places.secret}: others may read it (mode {mode:03o}): delete it, another is made"
        )
    if len(value) != N_BYTES:
        raise FolderError(
            f"{places.secret}: has {len(value)} bytes, wanted {N_BYTES}: delete it, another is made"
        )
    return value


def _make(path: Path) -> None:
    """Whole or not at all, and of two that start at once the first's."""
    handle, name = tempfile.mkstemp(prefix=".secret-", dir=path.parent)  # O_EXCL, 0600
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(N_BYTES))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(name, path)  # refuses where there is one, as O_EXCL would
        except FileExistsError:
            return
    finally:
        os.unlink(name)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
