"""One watched campaign: what was seen of it, and which of its runs are finished and new.

Nothing here waits or writes: it is told what lies in the folder, what the catalogue has, and the
time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from buffet.service.catalogue import StoredFile
from buffet.service.watch.groups import Fault, Group, Sheet, fault_of, group_of, sheets_of
from buffet.service.watch.tree import Stamp

# Taken in together, so that a folder of a thousand old runs shows the first of them soon.
MOST_AT_ONCE = 100


@dataclass(frozen=True)
class Plan:
    """What a look at a folder comes to."""

    ready: tuple[Group, ...]  # to be taken in now, the campaign's own sheet first
    unfinished: bool  # whether to look again although nothing may change
    waiting: tuple[Fault, ...]  # what a run still lacks


@dataclass(frozen=True)
class Refusal:
    """What is wrong with a sheet, or a file that it names."""

    faults: tuple[Fault, ...]
    stamps: Mapping[str, Stamp]  # while these are as they are it is not tried again


@dataclass
class WatchedFolder:
    """What is known of a folder between looks."""

    name: str  # below the watched folder
    settle_s: float
    tree: dict[str, Stamp] = field(default_factory=dict)
    since: dict[str, float] = field(default_factory=dict)  # when each was first seen so
    known: dict[str, Stamp] = field(default_factory=dict)  # as they were taken in
    stored: Mapping[str, StoredFile] = field(default_factory=dict)  # in the catalogue
    refused: dict[str, Refusal] = field(default_factory=dict)  # by sheet
    sheets: dict[str, tuple[Stamp, Sheet]] = field(default_factory=dict)
    plan: Plan = Plan((), True, ())
    again: bool = True  # whether to work on it although nothing changed
    revision: int | None = None  # of its campaign, as this left it
    waits: tuple[Fault, ...] | None = None  # what the last inspection said; None: not asked yet
    logged: frozenset[tuple[str, ...]] = frozenset()

    def see(self, tree: dict[str, Stamp], now: float) -> None:
        """Take a look at what is there now."""
        if tree == self.tree:
            return
        self.again = True
        for name in self.tree.keys() - tree.keys():
            del self.since[name]
            self.known.pop(name, None)
            self.sheets.pop(name, None)
        for name, stamp in tree.items():
            if self.tree.get(name) != stamp:
                self.since[name] = now
        self.tree = tree

    def disturbed(self, name: str, now: float) -> None:
        """A file changed while it was read."""
        self.since[name] = now

    def is_settled(self, name: str, now: float) -> bool:
        """Whether a file has stayed the same for long enough."""
        return now - self.since[name] >= self.settle_s

    def is_known(self, name: str) -> bool:
        """Whether the catalogue has a file as it is."""
        return name in self.stored and self.known.get(name) == self.tree[name]

    def make_plan(
        self,
        now: float,
        stored: Mapping[str, StoredFile],
        read: Callable[[str, Stamp], Sheet | None],
    ) -> Plan:
        """Which sheets and their files are finished and new.

        Parameters
        ----------
        stored : the campaign's files in the catalogue
        read : reads a sheet of this stamp; None where it changes just now
        """
        self.stored = stored
        ready: list[Group] = []
        waiting: list[Fault] = []
        unfinished = False
        present = [sheet for sheet in sheets_of(self.tree) if sheet in self.tree]
        for gone in self.refused.keys() - set(present):
            del self.refused[gone]
        for sheet in present:
            group = group_of(sheet, self.tree, stored, lambda name: self._sheet(name, now, read))
            if group is None:
                unfinished = True
            elif group.fault is not None:
                self.refused[sheet] = Refusal((group.fault,), {})
            elif all(self.is_known(name) for name in group.names) or self._is_refused(group):
                continue
            elif group.missing:
                self.refused.pop(sheet, None)
                waiting += [_missing(sheet, name) for name in group.missing]
            elif not all(self.is_settled(name, now) for name in group.names):
                unfinished = True
            else:
                ready.append(group)
        taken = tuple(ready[:MOST_AT_ONCE])
        unfinished = unfinished or len(ready) > len(taken)
        self.plan = Plan(taken, unfinished, tuple(waiting))
        return self.plan

    def _is_refused(self, group: Group) -> bool:
        before = self.refused.get(group.sheet)
        return before is not None and before.stamps == self._stamps(group)

    def _stamps(self, group: Group) -> dict[str, Stamp]:
        return {name: self.tree[name] for name in group.names}

    def _sheet(
        self, name: str, now: float, read: Callable[[str, Stamp], Sheet | None]
    ) -> Sheet | None:
        stamp = self.tree[name]
        if name in self.sheets and self.sheets[name][0] == stamp:
            return self.sheets[name][1]
        if not self.is_settled(name, now):
            return None
        found = read(name, stamp)
        if found is not None and found.fault is None:
            self.sheets[name] = (stamp, found)
        return found

    def accept(self, group: Group) -> None:
        """The catalogue has it now."""
        self.known |= self._stamps(group)
        self.refused.pop(group.sheet, None)

    def refuse(self, group: Group, faults: tuple[Fault, ...]) -> None:
        """Until a file of it changes, or something else in its campaign.

        Without faults its run is in the bin.
        """
        self.refused[group.sheet] = Refusal(faults, self._stamps(group))

    def try_refused_again(self) -> None:
        """What else the campaign holds has changed: a fault may lie between two sheets."""
        self.again = self.again or bool(self.refused)
        self.refused = {name: Refusal(one.faults, {}) for name, one in self.refused.items()}

    @property
    def told(self) -> tuple[Fault, ...]:
        """All that waits or is refused."""
        refused = [one for sheet in sorted(self.refused) for one in self.refused[sheet].faults]
        return (*(self.waits or ()), *self.plan.waiting, *refused)

    def newly_told(self) -> list[Fault]:
        """What was not told at the last time that this was asked."""
        every = {tuple(fault.values()): fault for fault in self.told}
        new = [fault for key, fault in every.items() if key not in self.logged]
        self.logged = frozenset(every)
        return new


def _missing(sheet: str, name: str) -> Fault:
    return fault_of(sheet, "run.recording", f"names {name}, which is not in the watched folder yet")
