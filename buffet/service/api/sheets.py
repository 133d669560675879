"""Run sheets checked while they are written."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from buffet.service import catalogue
from buffet.service.api.dependencies import Engineer, ServiceHere
from buffet.service.api.paging import LARGEST_ID
from buffet.service.api.problems import Fault
from buffet.service.changes import RUNS
from buffet.service.database.engine import reading
from buffet.service.intake.limits import UploadLimits
from buffet.service.intake.sheet_check import check_sheet

ROUTER = APIRouter(prefix="/api", tags=["runs"])
_EXAMPLE = """format = 1
[run]
number = "014"
configuration = "long spoiler"
kind = "wind-on"
recording = "014.csv"
"""


class SheetText(BaseModel):
    """A run sheet as it stands in an editor."""

    model_config = ConfigDict(extra="forbid")
    sheet: str = Field(max_length=UploadLimits().sheet_bytes, examples=[_EXAMPLE])
    campaign: Annotated[int, Field(ge=1, le=LARGEST_ID)] | None = Field(
        default=None, description="that the run is for: its files count as there"
    )
    files: list[Annotated[str, Field(max_length=1000)]] = Field(
        default=[], max_length=100, description="names of files that come with the sheet"
    )


class SheetFaults(BaseModel):
    """What is wrong with a sheet; nothing where the list is empty."""

    faults: list[Fault]


@ROUTER.post("/check-sheet")
def check(text: SheetText, service: ServiceHere, principal: Engineer) -> SheetFaults:
    """All faults of a run sheet at once; no file is opened."""
    known = {f"{RUNS}/{name}" for name in text.files}
    if text.campaign is not None:
        with reading(service.engine) as connection:
            catalogue.campaign(connection, text.campaign)
            stored = catalogue.files(connection, text.campaign)
        known |= {file.name for file in stored}
    faults = check_sheet(text.sheet, known or None)
    return SheetFaults(
        faults=[Fault(file=one.file, key=one.key, problem=one.problem) for one in faults]
    )
