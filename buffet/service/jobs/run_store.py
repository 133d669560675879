"""Runs that a worker has read and reduced, for the next task that finds them unchanged.

While a tunnel runs, a campaign changes with each run, and the page is to show the verdict before
long: only what is new is read, and only its peaks are fitted.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping

from buffet.analysis import RunRead
from buffet.one_pass import AnalysisSettings
from ingest import Campaign, Run


class RunStore:
    """What was read of runs, by all that it hangs on."""

    def __init__(
        self,
        campaign: Campaign,
        files: Mapping[str, str],
        settings: AnalysisSettings,
        known: Mapping[str, RunRead],
    ) -> None:
        """`files`: digests by name; `known`: what `used` held after an earlier analysis."""
        self._campaign, self._files, self._settings = campaign, files, settings
        self._known = known
        sheets = {self._sheet(run) for run in (*campaign.runs, *campaign.waiting_runs)}
        # Sheets of campaign, car and balance, and whatever small files these or a run's sheet name.
        self._shared = sorted(
            (file.name, file.sha256) for file in campaign.files if file.name not in sheets
        )
        self.used: dict[str, RunRead] = {}

    def find(self, run: Run, wanted_s: float | None) -> RunRead | None:
        """What was read of a run, where nothing that it hangs on has changed."""
        key = self._key(run, wanted_s)
        found = self._known.get(key)
        if found is not None:
            self.used[key] = found
        return found

    def keep(self, run: Run, wanted_s: float | None, read: RunRead) -> None:
        """For the next analysis."""
        self.used[self._key(run, wanted_s)] = read

    def _key(self, run: Run, wanted_s: float | None) -> str:
        behind = [run, *(self._campaign.run(number) for number in run.zero_runs)]
        parts = [
            self._shared,
            [[self._files[name] for name in (self._sheet(one), *one.sources)] for one in behind],
            wanted_s,
            self._settings.resolution_hz,
            sorted(self._settings.keeps),
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()

    def _sheet(self, run: Run) -> str:
        return run.sheet.relative_to(self._campaign.folder).as_posix()
