"""A served campaign opened from elsewhere: its files are fetched once, its results asked for.

Needs nothing but Python's own library. Files are kept by their digests below the user's cache
folder, so that a campaign that grew costs what is new of it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from http.client import HTTPException, HTTPResponse
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import quote, urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from buffet.errors import BuffetError
from buffet.service.intake.names import checked_names
from ingest import Campaign, open_campaign

TOKEN_VARIABLE = "BUFFET_TOKEN"
TIMEOUT_S = 60.0
PIECE_BYTES = 2**20
# Also as it is copied from a browser, where the slider writes ?speed=130 behind it.
_ADDRESS = re.compile(
    r"(?P<server>https?://[^/?#]+)/(?:api/)?campaigns/(?P<id>\d{1,9})(?:[/?#].*)?", re.DOTALL
)
_DIGEST = re.compile(r"[0-9a-f]{64}")


class ClientError(BuffetError):
    """A server that cannot be reached, or that refuses; in its own words where it has any."""


@dataclass(frozen=True)
class ServedCampaign(Campaign):
    """A campaign of a server: its files are here, and its results can be asked for there."""

    server: Server | None = None
    number: int = 0  # of the campaign

    def result(self, kind: str, **settings: Any) -> dict[str, Any]:
        """A document that the server computed, started there and waited for where it has to be.

        Parameters
        ----------
        kind : "rate", "table", "compare", "spectra", "check" or "board"
        settings : as the API has them, e.g. speed="130 km/h"

        Raises
        ------
        ClientError
            The server cannot be reached, refuses, or the analysis failed.
        """
        assert self.server is not None
        found: dict[str, Any] = json.loads(self._computed(kind, settings))
        return found

    def report(self, path: Path, **settings: Any) -> None:
        """The report's page, as a file; raises as `result`."""
        from buffet.writing import write

        page = self._computed("report", settings)
        write(path, {".html": lambda to: _write(to, page)})

    def _computed(self, kind: str, settings: Mapping[str, Any]) -> bytes:
        assert self.server is not None
        jobs = f"/api/campaigns/{self.number}/jobs"
        job = self.server.document(jobs, {"kind": kind, **settings})
        pause_s = 0.1
        while job["state"] in ("queued", "running"):
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, 2.0)
            job = self.server.document(f"/api/jobs/{int(job['id'])}")
        if job["state"] != "done":
            why = job["error"] or "ask for it again"
            raise ClientError(f"job {job['id']} is {job['state']}: {why}")
        with self.server.asked(f"/api/jobs/{int(job['id'])}/result") as answer:
            return answer.read()


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)


@dataclass(frozen=True)
class Server:
    """A service by its address."""

    address: str  # without a path
    token: str | None = field(default=None, repr=False)

    @contextlib.contextmanager
    def asked(self, path: str, body: Mapping[str, Any] | None = None) -> Iterator[HTTPResponse]:
        """An answer as it comes; with a body it is a POST.

        Raises
        ------
        ClientError
            The server cannot be reached, or refuses.
        """
        # What changes something is asked for as by a page of the server's own.
        headers = {"Accept": "application/json", "Origin": self.address}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        data = None
        if body is not None:
            data = json.dumps(body).encode()
            headers["Content-Type"] = "application/json"
        request = Request(self.address + path, data, headers)
        try:
            with _OPENER.open(request, timeout=TIMEOUT_S) as answer:
                yield answer
        except HTTPError as error:
            with error:
                raise ClientError(f"{self.address}{path}: {_told(error)}") from error
        except URLError as error:
            raise ClientError(f"{self.address} cannot be reached: {error.reason}") from error
        except (OSError, HTTPException) as error:
            raise ClientError(f"{self.address}{path}: the connection broke: {error}") from error

    def document(self, path: str, body: Mapping[str, Any] | None = None) -> Any:
        """An answer's JSON; raises as `asked`."""
        with self.asked(path, body) as answer:
            try:
                return json.load(answer)
            except ValueError as error:
                raise ClientError(f"{self.address}{path}: the answer is no JSON") from error


class _Stay(HTTPRedirectHandler):
    """No other server is sent the token because one says that it is there now."""

    def redirect_request(self, *_: Any) -> None:
        """None: the redirection is an error like any other."""


_OPENER = build_opener(_Stay)


def _told(error: HTTPError) -> str:
    """A problem document's sentence, or the bare status."""
    with contextlib.suppress(ValueError, KeyError, TypeError, OSError):
        told = str(json.load(error)["detail"])
        if error.code == 401:
            told += f"; put a token into the environment variable {TOKEN_VARIABLE}"
        return told
    return f"{error.code} {error.reason}"


def open_served(
    address: str, token: str | None = None, cache: Path | None = None
) -> ServedCampaign:
    """Fetch what is not here yet of a served campaign, and open it.

    Parameters
    ----------
    address : such as http://hall:8000/campaigns/3
    token : None takes the one in the environment variable BUFFET_TOKEN
    cache : folder for the files; None: `buffet` below the user's cache folder

    Raises
    ------
    ClientError
        The address is none, the server cannot be reached or refuses, or sent another content.
    SheetError
        The campaign waits for runs that are not there yet and has nothing else.
    """
    found = _ADDRESS.fullmatch(address)
    if found is None or urlsplit(address).username is not None:
        raise ClientError(
            f"got {address!r}; wanted a campaign's address, for example "
            "http://localhost:8000/campaigns/3"
        )
    server = Server(found["server"], token or os.environ.get(TOKEN_VARIABLE) or None)
    number = int(found["id"])
    files = _files(server, number)
    folder = cache or _cache()
    try:
        laid_out = _laid_out(server, number, files, folder)
    except OSError as error:
        raise ClientError(f"{folder}: cannot be written: {error.strerror}") from error
    opened = open_campaign(laid_out, unfinished=True)
    values = {one.name: getattr(opened, one.name) for one in fields(Campaign)}
    return ServedCampaign(**values, server=server, number=number)


def _files(server: Server, number: int) -> dict[str, str]:
    """Digests by name, both checked: a server is believed no more than an upload."""
    listed = server.document(f"/api/campaigns/{number}/files")
    try:
        files = {str(one["name"]): str(one["sha256"]) for one in listed}
    except (TypeError, KeyError) as error:
        raise ClientError(f"{server.address}: the list of files cannot be read") from error
    if not all(map(_DIGEST.fullmatch, files.values())):
        raise ClientError(f"{server.address}: the list of files holds digests that are none")
    return dict(zip(checked_names(files), files.values(), strict=True))


def _cache() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "buffet"


def _laid_out(server: Server, number: int, files: Mapping[str, str], cache: Path) -> Path:
    """The folder of this content, whole or not there."""
    lines = "".join(f"{files[name]}  {name}\n" for name in sorted(files))
    place = cache / "campaigns" / hashlib.sha256(lines.encode()).hexdigest()
    if place.is_dir():
        return place
    contents = cache / "contents"
    contents.mkdir(parents=True, exist_ok=True)
    for sha256 in sorted(set(files.values())):
        if not (contents / sha256).is_file():
            _fetch(server, f"/api/campaigns/{number}/files/{quote(sha256)}", contents, sha256)
    place.parent.mkdir(exist_ok=True)
    building = Path(tempfile.mkdtemp(prefix=".new-", dir=place.parent))
    try:
        for name, sha256 in files.items():
            target = building / name
            target.parent.mkdir(parents=True, exist_ok=True)
            os.link(contents / sha256, target)
        with contextlib.suppress(FileExistsError):
            building.rename(place)
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return place


def _fetch(server: Server, path: str, folder: Path, sha256: str) -> None:
    """One content, whole and of its digest, or not at all."""
    handle, name = tempfile.mkstemp(prefix=".new-", dir=folder)
    temporary = Path(name)
    try:
        seen = hashlib.sha256()
        with os.fdopen(handle, "wb") as file, server.asked(path) as answer:
            while data := answer.read(PIECE_BYTES):
                seen.update(data)
                file.write(data)
        if seen.hexdigest() != sha256:
            raise ClientError(f"{server.address}{path}: came damaged; try again")
        temporary.chmod(0o400)  # it has several names: who edits one must make a copy
        temporary.replace(folder / sha256)
    finally:
        temporary.unlink(missing_ok=True)
