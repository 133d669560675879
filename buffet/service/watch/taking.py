"""Finished runs of a watched folder into the catalogue, whatever is wrong with others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from buffet.service import changes
from buffet.service.access.roles import Principal, Role
from buffet.service.catalogue import Campaign, Found
from buffet.service.intake.disk import Stored
from buffet.service.intake.errors import IntakeError, NoSpaceError, SheetFaultsError
from buffet.service.state import Service
from buffet.service.watch.groups import Fault, Group, fault_of
from buffet.service.watch.tree import CAMPAIGN_FILE

WATCH = Principal("watch", Role.ENGINEER)  # in the audit log
MOST_FAULTS = 20  # of one sheet that are kept


@dataclass
class Taking:
    """Groups on their way in, and what became of them."""

    service: Service
    folder: str
    campaign_id: int | None
    fresh: Mapping[str, Stored]  # by name; what is not here is in the catalogue already
    campaign: Campaign | None = None
    found: Found | None = None
    accepted: list[Group] = field(default_factory=list)
    refused: dict[Group, tuple[Fault, ...]] = field(default_factory=dict)

    def take(self, groups: Sequence[Group]) -> None:
        """All of them where that goes, else those that are sound.

        Raises
        ------
        NoSpaceError, NotFoundError, ConflictError, FolderError
            None can be taken in now, through no fault of theirs.
        """
        if not groups or self._lacks_campaign(groups):
            return
        names = dict.fromkeys(name for group in groups for name in group.names)
        fresh = [(name, self.fresh[name]) for name in names if name in self.fresh]
        try:
            self.campaign, self.found = changes.take_watched(
                self.service, self.folder, self.campaign_id, fresh, WATCH
            )
        except SheetFaultsError as error:
            self._without_faulty(groups, error)
        except NoSpaceError:
            raise
        except IntakeError as error:
            self._by_halves(groups, error)
        else:
            self.campaign_id = self.campaign.id
            self.accepted += groups

    def _lacks_campaign(self, groups: Sequence[Group]) -> bool:
        """A folder without a campaign's own sheet that is right is none yet."""
        return self.campaign_id is None and groups[0].sheet != CAMPAIGN_FILE

    def _without_faulty(self, groups: Sequence[Group], error: SheetFaultsError) -> None:
        faults: dict[Group, list[Fault]] = {}
        for group in groups:
            own = [one for one in error.faults if one.file in group.names]
            if own:
                faults[group] = [fault_of(one.file, one.key, one.problem) for one in own]
        if not faults:
            # It shows in a sheet that was right before: the campaign's own is what all hang on.
            blamed = groups[0] if groups[0].sheet == CAMPAIGN_FILE else groups[-1]
            faults[blamed] = [fault_of(one.file, one.key, one.problem) for one in error.faults]
        for group, found in faults.items():
            self.refused[group] = tuple(found[:MOST_FAULTS])
        self.take([group for group in groups if group not in faults])

    def _by_halves(self, groups: Sequence[Group], error: IntakeError) -> None:
        """What breaks a limit or the reader is not told by sheet: it is looked for."""
        if len(groups) == 1:
            self.refused[groups[0]] = (fault_of(groups[0].sheet, "", str(error)),)
            return
        half = len(groups) // 2
        self.take(groups[:half])
        self.take(groups[half:])
