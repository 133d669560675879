"""Static files of the pages, from the package, each under an address that names its content."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import NamedTuple

STATIC = "/static"
_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".md": "text/plain; charset=utf-8",
    "": "text/plain; charset=utf-8",  # a licence
}
# The report's tables sort alike.
_SORTING = ("buffet.report", "templates/sort.js")
# All there is; what is asked for is looked up here and never becomes a path by itself.
NAMES = (
    "app.css",
    "board.js",
    "charts.js",
    "icon.svg",
    "job.js",
    "sheet.js",
    "sort.js",
    "vendor/uplot/LICENSE",
    "vendor/uplot/README.md",
    "vendor/uplot/uPlot.iife.min.js",
    "vendor/uplot/uPlot.min.css",
)


class Asset(NamedTuple):
    """One file."""

    content: bytes
    media_type: str
    digest: str  # of the content, as it stands in its address


@cache
def asset(name: str) -> Asset | None:
    """A static file by its name below `/static/`; None where there is none."""
    if name not in NAMES:
        return None
    package, place = _SORTING if name == "sort.js" else (__package__, f"static/{name}")
    content = files(package).joinpath(*place.split("/")).read_bytes()
    suffix = "." + name.rpartition(".")[2] if "." in name else ""
    return Asset(content, _TYPES[suffix], sha256(content).hexdigest()[:12])


@cache
def address_of(name: str) -> str:
    """Its address; another content has another, so browsers may keep it for good.

    Raises KeyError where there is no such file.
    """
    found = asset(name)
    if found is None:
        raise KeyError(name)
    return f"{STATIC}/{name}?{found.digest}"
