"""Every dataset of an HDF5 file, without ever leaving the file or going round in circles."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ingest.readers.stated_rates import may_state_rate, stated_rate_hz

# A soft link to a soft link to ...: more hops than anyone writes.
_MOST_HOPS = 16
# Elements of an attribute that is read: a unit, a rate or a few fill values.
_LONGEST_ATTRIBUTE = 16
# What MATLAB keeps cells and objects in.
_MATLAB_STORES = {"#refs#", "#subsystem#"}

Refusal = tuple[str, str]  # problem and advice

KEEP_INSIDE = "write the samples into the file itself"


@dataclass(frozen=True)
class Found:
    """A dataset, or what stands where one might be wanted."""

    path: str  # as the file spells it
    parent: str
    dataset: Any  # h5py.Dataset; None where there is none
    rate_hz: float | None  # as stated on the groups above
    refusal: Refusal | None = None


def printable(name: str) -> str:
    """A name whose bytes are no UTF-8 comes with escapes that no terminal takes."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def attribute(owner: Any, name: str) -> Any:
    """Value of a short attribute as text, number or list; None where there is none."""
    if name not in owner.attrs:
        return None
    space = owner.attrs.get_id(name)
    if not 0 < (size := math.prod(space.shape)) <= _LONGEST_ATTRIBUTE:
        return None
    value = owner.attrs[name]
    values = value.tolist() if hasattr(value, "tolist") else value
    if isinstance(values, list) and size == 1:
        values = values[0]
    return values.decode("utf-8", "replace") if isinstance(values, bytes) else values


def own_rate_hz(owner: Any) -> float | None:
    """Sample rate among the attributes of a dataset or group."""
    values = {name: attribute(owner, name) for name in owner.attrs if may_state_rate(name)}
    return stated_rate_hz({name: v for name, v in values.items() if isinstance(v, int | float)})


def is_scalar(dataset: Any) -> bool:
    """Whether a dataset is one number: a setting and not a channel."""
    shape = dataset.shape
    return shape is not None and math.prod(shape) == 1 and len(shape) != 1


class Walk:
    """Walk through the groups of an opened file."""

    def __init__(self, h5py: Any, file: Any) -> None:
        self._h5py = h5py
        self._file = file
        self._seen: set[int] = set()

    def datasets(self) -> Iterator[Found]:
        """All datasets and all that cannot be one, in the order of their groups."""
        yield from self._group(self._file["/"], "", None)

    def _group(self, group: Any, path: str, above_hz: float | None) -> Iterator[Found]:
        address = self._h5py.h5o.get_info(group.id).addr
        if address in self._seen:  # a link back to a group above, or a second name for one
            return
        self._seen.add(address)
        children = [self._child(group, path, name) for name in group if name not in _MATLAB_STORES]
        here_hz = own_rate_hz(group) or _rate_of_scalars(children) or above_hz
        for child_path, child in children:
            if isinstance(child, tuple):
                yield Found(child_path, path, None, None, child)
            elif isinstance(child, self._h5py.Dataset):
                yield Found(child_path, path, child, here_hz)
            elif not isinstance(child, self._h5py.Group):
                continue  # a named type
            elif "MATLAB_class" in child.attrs:
                yield Found(child_path, path, None, None, _matlab_group(child))
            else:
                yield from self._group(child, child_path, here_hz)

    def _child(self, group: Any, path: str, name: str) -> tuple[str, Any]:
        child_path = f"{path}/{name}" if path else name
        try:
            return child_path, self._follow(group, name, 0)
        # A link kind or a type that the library does not know: told where the column is wanted.
        except Exception as fault:
            return child_path, (f"it cannot be opened ({fault})", KEEP_INSIDE)

    def _follow(self, group: Any, name: str, hops: int) -> Any:
        """What a name stands for; external links are not followed, soft ones inside the file."""
        link = group.get(name, getlink=True)
        if isinstance(link, self._h5py.ExternalLink):
            return (f"it is a link to another file ({link.filename})", KEEP_INSIDE)
        if not isinstance(link, self._h5py.SoftLink):
            return group[name]
        if hops == _MOST_HOPS:
            return ("it is a link that leads to itself", "mend the link")
        place = self._file["/"] if link.path.startswith("/") else group
        for part in link.path.split("/"):
            if part in ("", "."):
                continue
            if not isinstance(place, self._h5py.Group) or part not in place:
                return (f"it is a link to {link.path}, which is not there", "mend the link")
            place = self._follow(place, part, hops + 1)
            if isinstance(place, tuple):
                return place
        return place


def _rate_of_scalars(children: list[tuple[str, Any]]) -> float | None:
    """Sample rate among single numbers, as MATLAB stores a variable fs."""
    values = {}
    for path, child in children:
        name = path.rsplit("/", 1)[-1]
        if may_state_rate(name) and hasattr(child, "shape") and is_scalar(child):
            outside = child.is_virtual or child.external
            if not outside and child.dtype.kind in "iuf" and child.chunks is None:
                values[name] = child[()].item()
    return stated_rate_hz(values)


def _matlab_group(group: Any) -> Refusal:
    kind = attribute(group, "MATLAB_class")
    return (f"a MATLAB {kind} stands where an array is wanted", "save the channels as plain arrays")
