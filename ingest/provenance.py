"""Where a record comes from and what was done to it, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any


@cache
def package_version() -> str:
    """Version of the installed distribution."""
    from importlib.metadata import version

    return version("buffeting")


@dataclass(frozen=True)
class Step:
    """One processing step that has succeeded."""

    name: str
    settings: Mapping[str, Any]  # plain values, to be printed as JSON
    version: str  # of this package when the step ran


def step(name: str, **settings: Any) -> Step:
    """Record a step that has just succeeded, with the package's version."""
    return Step(name, settings, package_version())


@dataclass(frozen=True)
class SourceFile:
    """One file a record was read from."""

    name: str  # relative to the campaign folder
    sha256: str  # hex, of the bytes on disk


@dataclass(frozen=True)
class Provenance:
    """Source of a record and the ordered steps that led to it."""

    files: tuple[SourceFile, ...]  # the recording; several where one run was logged in several
    reader: str  # which reader took the file, e.g. "delimited text"
    sheet: Mapping[str, Any]  # the run sheet's own words
    steps: tuple[Step, ...]

    @property
    def source(self) -> str:
        """Names of the files."""
        return " + ".join(file.name for file in self.files)

    @property
    def sha256(self) -> str:
        """Digests of the files."""
        return " + ".join(file.sha256 for file in self.files)

    def with_step(self, name: str, **settings: Any) -> Provenance:
        """The same, and one more step that has just succeeded."""
        return replace(self, steps=(*self.steps, step(name, **settings)))
