"""What can go wrong between a campaign folder and a calibrated record.

IngestError                what every caller may catch
├── QuantityError          a text that is no quantity, or one of the wrong dimension
├── NoCampaignError        a folder without campaign.toml
├── UnknownRunError        a run number that no sheet has
├── SheetError             campaign.toml, run sheets, vehicle.toml: all faults of all sheets
├── StoreError             an object store that gives no campaign, or not its files
├── RecordingError         a recording that is damaged or not what its sheet says
├── CacheError             recordings that cannot be kept
└── RecordUseError         a record asked twice for its samples, or too early for its results

Each error keeps its pieces as attributes and makes its own text from them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path


class IngestError(Exception):
    """Base of every error this package raises on purpose."""


class QuantityError(IngestError):
    """A text is no quantity, or its unit has the wrong dimension.

    Example: "40 m" where a speed is wanted.
    """

    def __init__(self, given: object, wanted: str) -> None:
        super().__init__(given, wanted)
        self.given = given
        self.wanted = wanted

    def __str__(self) -> str:
        return f"got {self.given!r}; wanted {self.wanted}"


class NoCampaignError(IngestError):
    """A folder has no campaign.toml."""

    def __init__(self, folder: str | Path) -> None:
        super().__init__(folder)
        self.folder = Path(folder)

    def __str__(self) -> str:
        return (
            f"no campaign.toml in {self.folder}; a campaign is a folder with campaign.toml and "
            "runs/*.toml, `buffet demo FOLDER` writes an example"
        )


class UnknownRunError(IngestError):
    """A run number that no sheet of the campaign has."""


# As many sheets with one and the same fault are told in one line.
MANY_SHEETS = 3


@dataclass(frozen=True)
class SheetFault:
    """One fault of one sheet: where it stands, what is written there, what is wanted."""

    file: str  # relative to the campaign folder
    key: str  # dotted, e.g. "channel[2].gain"; empty for a fault of the whole file
    problem: str  # what was given and what is wanted, in one sentence
    waits: bool = False  # for a run that is not there yet: none in a campaign still under way

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        return f"{place}: {self.problem}"


class SheetError(IngestError):
    """Sheets have faults; all of them are listed, one a line.

    Example: an unknown key in runs/014.toml and a baseline that no run has.
    """

    def __init__(self, folder: str | Path, faults: Sequence[SheetFault]) -> None:
        super().__init__(folder, tuple(faults))
        self.folder = Path(folder)
        self.faults = tuple(faults)

    def __str__(self) -> str:
        if len(self.faults) == 1:
            return str(self.faults[0])
        lines = [f"{len(self.faults)} faults in the sheets of {self.folder}:"]
        return "\n".join(lines + [f"  {told}" for told in self._told()])

    def _told(self) -> Iterator[str]:
        """One line a fault, the same one of many sheets once."""
        files: dict[tuple[str, str], list[SheetFault]] = {}
        for fault in self.faults:
            files.setdefault((fault.key, fault.problem), []).append(fault)
        for alike in files.values():
            if len(alike) < MANY_SHEETS:
                yield from map(str, alike)
            else:
                yield f"{alike[0]} (likewise in {len(alike) - 1} more sheets)"


class StoreError(IngestError):
    """An object store cannot be used, or does not hold what its address says.

    Example: a bucket that nobody may read from here.
    """

    def __init__(self, address: str, problem: str) -> None:
        super().__init__(address, problem)
        self.address, self.problem = address, problem

    def __str__(self) -> str:
        return f"{self.address}: {self.problem}"


class RecordingError(IngestError):
    """A recording cannot be read, or does not hold what its sheet promises.

    Example: a gzip file cut short, or a column the file does not have.
    """

    def __init__(self, file: str | Path, place: str, problem: str, advice: str) -> None:
        super().__init__(file, place, problem, advice)
        self.file = Path(file)
        self.place = place  # "line 17, column p07"; empty where the whole file is meant
        self.problem = problem
        self.advice = advice

    def __str__(self) -> str:
        where = f"{self.file}, {self.place}" if self.place else str(self.file)
        return f"{where}: {self.problem}; {self.advice}"


class CacheError(IngestError):
    """Recordings of a campaign cannot be kept, in its folder or because it has none here."""

    def __init__(self, place: str | Path, problem: str, asked_by: str = "cache=True") -> None:
        super().__init__(place, problem, asked_by)
        self.place = place
        self.problem = problem
        self.asked_by = asked_by  # in the words of whoever asked

    def __str__(self) -> str:
        return (
            f"{self.place}: recordings cannot be kept there ({self.problem}); leave out "
            f"{self.asked_by}, or copy the campaign to where you may write"
        )


class RecordUseError(IngestError):
    """A record was read twice, or asked for results before its end was reached."""
