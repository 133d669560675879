"""Pages that take files in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from buffet.service.pages.entries import CampaignEntry
from buffet.service.pages.frame import Frame, render


@dataclass(frozen=True)
class Upload:
    """A form for a new campaign, or for a run of one that is there; with what was wrong before."""

    campaign: CampaignEntry | None = None  # None: a new one
    largest_bytes: int | None = None  # of one upload; None where there is no bound
    sheet: str = ""  # as it was sent before
    problem: str = ""
    faults: Sequence[tuple[str, str]] = field(default=())  # key and what is wrong there


def upload_page(frame: Frame, data: Upload) -> str:
    """A zip of a whole campaign, or recordings with their run sheet."""
    return render("upload", frame, {"data": data, "campaign": data.campaign})
