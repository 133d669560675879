"""What goes between processes: runs as they were read, without what both sides have.

The spectra of a wind-off run stand behind the noise of every run that names it; they are sent once
and only named from then on, as are run sheets and model.
"""

from __future__ import annotations

import io
import pickle
import struct
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

from buffet.one_run import RunRead
from ingest import Campaign

PROTOCOL = 5
ALIGNED = 64  # bytes, at which arrays begin
_START = struct.Struct("<Q")
Buffer = bytes | bytearray | memoryview
Place = tuple[str, str]  # what something is, and a run's number


class Shared:
    """What sender and receiver both hold: the campaign, and wind-off runs by number."""

    def __init__(self, campaign: Campaign, off: Mapping[str, RunRead]) -> None:
        self._found: dict[Place, Any] = {("run", run.number): run for run in campaign.runs}
        self._found["model", ""] = campaign.model
        for number, (analysis, _) in off.items():
            self._found["spectra", number] = analysis.spectra
        self._places = {id(one): place for place, one in self._found.items() if one is not None}

    def place(self, one: Any) -> Place | None:
        """What to say in place of an object; None where the other side does not have it."""
        return self._places.get(id(one))

    def at(self, place: Place) -> Any:
        """The object of that name here."""
        return self._found[place]


class _Packer(pickle.Pickler):
    def __init__(self, to: io.BytesIO, shared: Shared, arrays: list[pickle.PickleBuffer]) -> None:
        super().__init__(to, PROTOCOL, buffer_callback=arrays.append)
        self._shared = shared

    def persistent_id(self, one: Any) -> Place | None:
        """Pickle's own hook."""
        return self._shared.place(one)


class _Unpacker(pickle.Unpickler):
    def __init__(self, head: Buffer, shared: Shared, arrays: Iterable[Buffer]) -> None:
        super().__init__(io.BytesIO(head), buffers=arrays)
        self._shared = shared

    def persistent_load(self, place: Any) -> Any:
        """Pickle's own hook."""
        return self._shared.at(place)


def pieces(what: Any, shared: Shared) -> list[Buffer]:
    """What to write one after another for somebody who holds the same; arrays are not copied."""
    head, arrays = io.BytesIO(), list[pickle.PickleBuffer]()
    _Packer(head, shared, arrays).dump(what)
    parts = [head.getbuffer(), *(array.raw() for array in arrays)]
    sizes = [(part.nbytes, part.readonly) for part in parts]
    table = pickle.dumps(sizes, PROTOCOL)
    found: list[Buffer] = [_START.pack(len(table)), table]
    at = _START.size + len(table)
    for part in parts:
        found += [bytes(-at % ALIGNED), part]
        at += -at % ALIGNED + part.nbytes
    return found


def packed(what: Any, shared: Shared) -> bytes:
    """The same as one."""
    return b"".join(pieces(what, shared))


def unpacked(data: Buffer, shared: Shared) -> Any:
    """What was packed, by our own processes alone: pickle trusts what it reads.

    Arrays lie in `data`, those that were locked locked again.
    """
    whole = memoryview(data)
    (length,) = _START.unpack_from(whole)
    at = _START.size + length
    parts = []
    for size, locked in pickle.loads(whole[_START.size : at]):
        at += -at % ALIGNED
        part = whole[at : at + size]
        parts.append(part.toreadonly() if locked else part)
        at += size
    return _Unpacker(parts[0], shared, parts[1:]).load()


def plain(campaign: Campaign) -> Campaign:
    """The sheets alone: a served campaign knows its server's token, which stays here."""
    return Campaign(**{one.name: getattr(campaign, one.name) for one in fields(Campaign)})
