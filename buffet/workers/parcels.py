"""What goes between processes: runs as they were read, without what both sides have.

The spectra of a wind-off run stand behind the noise of every run that names it; they are sent once
and only named from then on, as are run sheets and model. Arrays come out locked where they went in
locked (pickle's protocol 5 keeps it).
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from buffet.one_run import RunRead
from ingest import Campaign

PROTOCOL = 5
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
    def __init__(self, to: io.BytesIO, shared: Shared) -> None:
        super().__init__(to, PROTOCOL)
        self._shared = shared

    def persistent_id(self, one: Any) -> Place | None:
        """Pickle's own hook."""
        return self._shared.place(one)


class _Unpacker(pickle.Unpickler):
    def __init__(self, data: bytes, shared: Shared) -> None:
        super().__init__(io.BytesIO(data))
        self._shared = shared

    def persistent_load(self, place: Any) -> Any:
        """Pickle's own hook."""
        return self._shared.at(place)


def packed(what: Any, shared: Shared) -> bytes:
    """As bytes for somebody who holds the same."""
    to = io.BytesIO()
    _Packer(to, shared).dump(what)
    return to.getvalue()


def unpacked(data: bytes, shared: Shared) -> Any:
    """What was packed, by our own processes alone: pickle trusts what it reads."""
    return _Unpacker(data, shared).load()


def plain(campaign: Campaign) -> Campaign:
    """The sheets alone: a served campaign knows its server's token, which stays here."""
    return Campaign(**{one.name: getattr(campaign, one.name) for one in fields(Campaign)})
