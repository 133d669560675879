"""The thread that watches a folder and takes campaigns in as their runs are finished.

A run is finished once its sheet reads, the recordings that it names are there, and sheet and files
have kept size and time for a while. Sheets and recordings that change become a new revision. What
is removed from the folder stays in the catalogue, since the disks of loggers are cleared. What is
wrong with a sheet or recording stands among what the campaign waits for, and comes in once it is
mended. Campaigns and runs in the bin stay there; a campaign that was deleted for good comes again
after the next start where its folder is still there.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

from buffet.service.errors import ServiceError
from buffet.service.intake.disk import Stored
from buffet.service.state import Service
from buffet.service.watch import catalogue_rows
from buffet.service.watch.analyses import start_analyses
from buffet.service.watch.catalogue_rows import Known
from buffet.service.watch.copies import ChangedMeanwhileError, copied, digest_of, read_whole
from buffet.service.watch.folder import WatchedFolder
from buffet.service.watch.groups import Group, Sheet, fault_of, read_sheet
from buffet.service.watch.taking import Taking
from buffet.service.watch.tree import Stamp, campaign_folders, can_be_kept, look

LOG = logging.getLogger("buffet.service.watch")
POLL_S = 1.5
STOP_S = 5.0


class Watch:
    """Looks at a folder now and then; each look is one call of `poll`."""

    def __init__(
        self, service: Service, root: Path, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._service, self._root, self._clock = service, root, clock
        self._folders: dict[str, WatchedFolder] = {}
        self._deleted: dict[str, dict[str, Stamp]] = {}  # for good, as they were then
        self._troubles: dict[str, str] = {}  # by folder, so that each is told once
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        LOG.info("watching", extra={"folder": str(self._root)})
        self._thread.start()

    def stop(self) -> None:
        """Stop, in the midst of a copy where there is one; an inspection is not waited for long."""
        self._stopped.set()
        self._thread.join(STOP_S)

    def _run(self) -> None:
        while not self._stopped.is_set():
            self.poll()
            self._stopped.wait(POLL_S)

    def poll(self) -> None:
        """Look once, and take in what is finished; what goes wrong is told and tried again."""
        try:
            names = list(campaign_folders(self._root, self._service.settings.folder))
            present = catalogue_rows.watched(self._service.engine)
        except (OSError, ServiceError) as error:
            self._trouble("", f"{self._root} cannot be watched now: {error}")
            return
        self._fine("")
        for name in names:
            if self._stopped.is_set():
                return
            try:
                self._look_at(name, present.get(name))
                self._fine(name)
            except (OSError, ServiceError) as error:
                self._trouble(name, f"{name}: not now: {error}")
            except Exception:
                LOG.exception("watching %s", name)

    def _look_at(self, name: str, known: Known | None) -> None:
        if not can_be_kept(name) and name != ".":
            raise OSError("a folder of this name cannot be kept; rename it")
        tree = look(self._root / name)
        if known is not None and known.is_binned:
            self._deleted[name] = tree  # it may be next
            return
        if known is None and self._was_deleted(name, tree):
            return
        self._deleted.pop(name, None)
        folder = self._folders.get(name)
        if folder is None:
            settle_s = self._service.settings.settle_s
            folder = self._folders[name] = WatchedFolder(name, settle_s)
        folder.see(tree, self._clock())
        if known is not None and folder.revision != known.revision:
            # A run went into the bin or came back, or the server has just started.
            folder.waits = None
            folder.again = True
            folder.try_refused_again()
        if folder.again:
            self._work_on(folder, known)

    def _was_deleted(self, name: str, tree: dict[str, Stamp]) -> bool:
        """It was in the catalogue, is not even in the bin, and is as it was then."""
        folder = self._folders.get(name)
        if folder is not None and folder.revision is not None:
            self._deleted[name] = folder.tree
            del self._folders[name]
        return self._deleted.get(name) == tree

    def _work_on(self, folder: WatchedFolder, known: Known | None) -> None:
        engine = self._service.engine
        stored = {} if known is None else catalogue_rows.files(engine, known.id)
        plan = folder.make_plan(self._clock(), stored, self._reader(folder))
        campaign_id = None if known is None else known.id
        if plan.ready:
            folder.again = False
            try:
                campaign_id = self._take(folder, plan.ready, campaign_id)
            except BaseException:
                folder.again = True
                raise
        else:
            folder.again = False
        folder.again = folder.again or plan.unfinished
        # After a start all files are new for a while: what was told of them before stands.
        is_starting = folder.revision is None and plan.unfinished
        if campaign_id is not None and not is_starting:
            self._tell(folder, campaign_id)
        for fault in folder.newly_told():
            LOG.info("waits", extra={"folder": folder.name, **fault})

    def _reader(self, folder: WatchedFolder) -> Callable[[str, Stamp], Sheet | None]:
        def read(name: str, stamp: Stamp) -> Sheet | None:
            try:
                return read_sheet(name, read_whole(self._root, _below(folder, name), stamp))
            except ChangedMeanwhileError:
                folder.disturbed(name, self._clock())
                return None
            except OSError as error:
                return Sheet((), (), fault_of(name, "", f"cannot be read: {error.strerror}"))

        return read

    def _take(
        self, folder: WatchedFolder, groups: tuple[Group, ...], campaign_id: int | None
    ) -> int | None:
        """The campaign's id, once there is one."""
        stored = catalogue_rows.contents(self._service.engine, campaign_id)
        fresh: dict[str, Stored] = {}
        try:
            whole = [group for group in groups if self._fetch(folder, group, stored, fresh)]
            taking = Taking(self._service, folder.name, campaign_id, fresh)
            if fresh:
                taking.take(whole)
            else:
                taking.accepted = whole
        finally:
            for one in fresh.values():
                one.path.unlink(missing_ok=True)
        self._settle(folder, taking)
        return taking.campaign_id

    def _fetch(
        self,
        folder: WatchedFolder,
        group: Group,
        stored: catalogue_rows.Contents,
        fresh: dict[str, Stored],
    ) -> bool:
        """Copy what a group has that the catalogue has not; False where it does not come in now.

        What is copied stands in `fresh`, whatever happens.
        """
        for name in group.names:
            if folder.is_known(name) or name in fresh:
                continue
            try:
                found = self._content(folder, name, stored)
            except ChangedMeanwhileError:
                folder.disturbed(name, self._clock())
                return False
            except OSError as error:
                problem = f"{name} cannot be read: {error.strerror}"
                folder.refuse(group, (fault_of(group.sheet, "", problem),))
                return False
            if found is None:
                continue
            fresh[name] = found
            if name == group.sheet and (name, found.sha256) in stored.binned:
                # Its run is in the bin, and stays there until it is taken back or changed.
                folder.refuse(group, ())
                return False
        return True

    def _content(
        self, folder: WatchedFolder, name: str, stored: catalogue_rows.Contents
    ) -> Stored | None:
        """A copy; None where the catalogue has the same content under this name."""
        stamp, place = folder.tree[name], _below(folder, name)
        known = stored.live.get(name)
        if known is not None and known.size == stamp.size:
            digest = digest_of(self._root, place, stamp, self._stopped.is_set)
            if digest == known.sha256:
                return None
        incoming = self._service.settings.places.incoming
        return copied(self._root, place, stamp, incoming, self._stopped.is_set)

    def _settle(self, folder: WatchedFolder, taking: Taking) -> None:
        """Remember what came of it, and have what is new analysed."""
        if taking.campaign is not None and taking.campaign.revision != folder.revision:
            folder.try_refused_again()
        for group in taking.accepted:
            folder.accept(group)
        for group, faults in taking.refused.items():
            folder.refuse(group, faults)
        if taking.campaign is None or taking.found is None:
            return
        folder.revision = taking.campaign.revision
        folder.waits = tuple(dict(fault) for fault in taking.found.waiting)
        sheets = [group.sheet for group in taking.accepted]
        told = {"folder": folder.name, "campaign": taking.campaign.id, "sheets": len(sheets)}
        LOG.info("taken in", extra=told)
        start_analyses(self._service, taking.campaign, taking.found, sheets)

    def _tell(self, folder: WatchedFolder, campaign_id: int) -> None:
        """What waits or is wrong stands with the campaign."""
        if folder.waits is None:
            folder.waits = catalogue_rows.inspected_waits(self._service, campaign_id)
        with self._service.changing(campaign_id):
            folder.revision = catalogue_rows.tell(self._service.engine, campaign_id, folder.told)

    def _trouble(self, name: str, told: str) -> None:
        if self._troubles.get(name) != told:
            self._troubles[name] = told
            LOG.warning(told)

    def _fine(self, name: str) -> None:
        if self._troubles.pop(name, None) is not None:
            LOG.info("%s can be watched again", name or self._root)


def _below(folder: WatchedFolder, name: str) -> str:
    return f"{folder.name}/{name}"
