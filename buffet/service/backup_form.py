"""What a backup's archive holds, whichever database it was made from.

One member a table (`rows/<table>.jsonl`: a JSON object a line, a row each), the content that rows
name (`blobs/<sha256>`), and last `manifest.json`, which states the digest and size of each.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from buffet.service.errors import ServiceError

FORMAT, VERSION = "buffet/backup", 1
MANIFEST = "manifest.json"
LARGEST_MANIFEST = 256 * 2**20  # a million files
REVISIONS = "alembic_version"
# Browsers sign in again; a manifest's own revision stands in for the other.
LEFT_OUT = frozenset({"sessions", REVISIONS})
_ROWS = re.compile(r"rows/([a-z_]{1,60})\.jsonl")
_BLOB = re.compile(r"blobs/([0-9a-f]{64})")
_DIGEST = re.compile(r"[0-9a-f]{64}")


class BackupError(ServiceError):
    """A backup that cannot be made, or an archive that cannot be restored."""

    status, kind = 500, "backup"


@dataclass(frozen=True)
class Member:
    """One file of the archive."""

    sha256: str
    size: int


@dataclass(frozen=True)
class Manifest:
    """What a backup says of itself."""

    program: str  # version that made it
    revision: str  # of the database's tables
    made_at: str
    rows: Mapping[str, int]  # by table
    sequences: Mapping[str, int]  # last id that was ever given, by table
    members: Mapping[str, Member]

    def text(self) -> str:
        """As JSON."""
        return json.dumps({"format": FORMAT, "version": VERSION, **asdict(self)}, indent=1)

    @property
    def blobs(self) -> dict[str, Member]:
        """Content by its digest."""
        return {name[6:]: one for name, one in self.members.items() if _BLOB.fullmatch(name)}

    @property
    def n_bytes(self) -> int:
        """Of all members."""
        return sum(member.size for member in self.members.values())


def rows_name(table: str) -> str:
    """The member of a table."""
    return f"rows/{table}.jsonl"


def blob_name(sha256: str) -> str:
    """The member of a content."""
    return f"blobs/{sha256}"


def manifest_of(text: bytes) -> Manifest:
    """Raises ValueError where it is none of this version."""
    given = json.loads(text)
    if not isinstance(given, dict) or given.get("format") != FORMAT:
        raise ValueError(f"its format is not {FORMAT!r}")
    if given.get("version") != VERSION:
        raise ValueError(f"it has version {given.get('version')!r}, and {VERSION} is known here")
    texts: dict[str, Any] = {key: given.get(key) for key in ("program", "revision", "made_at")}
    if not all(isinstance(one, str) for one in texts.values()):
        raise ValueError("it does not say what made it")
    members = {name: _member(name, one) for name, one in _table(given, "members").items()}
    rows, sequences = _counts(given, "rows"), _counts(given, "sequences")
    if {rows_name(table) for table in rows} != {n for n in members if _ROWS.fullmatch(n)}:
        raise ValueError("its tables are not those that it counts")
    return Manifest(rows=rows, sequences=sequences, members=members, **texts)


def _table(given: dict[str, Any], key: str) -> dict[str, Any]:
    found = given.get(key)
    if not isinstance(found, dict):
        raise ValueError(f"it has no {key}")
    return found


def _counts(given: dict[str, Any], key: str) -> dict[str, int]:
    found = _table(given, key)
    if not all(type(count) is int and count >= 0 for count in found.values()):
        raise ValueError(f"its {key} are no numbers")
    return found


def _member(name: str, given: Any) -> Member:
    blob = _BLOB.fullmatch(name)
    if not blob and not _ROWS.fullmatch(name):
        raise ValueError(f"{name[:100]!r} is no member of a backup")
    if not isinstance(given, dict) or set(given) != {"sha256", "size"}:
        raise ValueError(f"it says nothing of {name}")
    sha256, size = given["sha256"], given["size"]
    if not isinstance(sha256, str) or not _DIGEST.fullmatch(sha256) or type(size) is not int:
        raise ValueError(f"it says nothing of {name}")
    if size < 0 or (blob and blob[1] != sha256):
        raise ValueError(f"{name} cannot be what it says")
    return Member(sha256, size)
