"""A run sheet checked at each pause of who types it."""

from __future__ import annotations

import tomllib
from collections.abc import Collection
from difflib import get_close_matches

from buffet.service.intake.errors import BadNameError, TooLargeError, size_text
from buffet.service.intake.limits import KIB, UploadLimits
from buffet.service.intake.names import name_beside
from buffet.service.intake.words import run_table_problems
from ingest import SheetFault, run_sheet_faults

# A sheet of eight hundred taps; the check of any text of this size takes a second at most, in the
# server's own process.
LONGEST_TEXT = 256 * KIB
# Likenesses cost: a sheet may name ten thousand files and a campaign have as many.
MOST_LIKENESSES, MOST_COMPARED = 3, 1000
DEFAULT_NAME = "runs/sheet.toml"


def check_sheet(
    text: str,
    beside: Collection[str] | None = None,
    name: str = DEFAULT_NAME,
    limits: UploadLimits | None = None,
) -> tuple[SheetFault, ...]:
    """Every fault that a run sheet shows by itself; no file is opened.

    What it names must be a name that can be kept, and one of `beside` where these are given.
    Zeros and the campaign's own sheet are not looked at.

    Parameters
    ----------
    text : TOML
    beside : names of the files that are known, relative to the campaign folder
    name : of the sheet, likewise

    Raises
    ------
    TooLargeError
        The text is longer than sheets are.
    """
    if len(text) > LONGEST_TEXT:
        raise TooLargeError(
            f"the sheet has {size_text(len(text))}, more than the {size_text(LONGEST_TEXT)} that "
            "are checked here; send it as a file"
        )

    likenesses = 0

    def path_problem(path: str) -> str | None:
        nonlocal likenesses
        try:
            named = name_beside(name, path, limits)
        except BadNameError as error:
            return str(error)
        if beside is None or named in beside:
            return None
        likenesses += 1
        compared = sorted(beside)[:MOST_COMPARED] if likenesses <= MOST_LIKENESSES else []
        close = get_close_matches(named, compared, n=1)
        remark = f"; did you mean {close[0]!r}?" if close else "; send it with the sheet"
        return f"names {named!r}, which is not among the files known{remark}"

    faults = run_sheet_faults(text, name, path_problem)
    if all(fault.key for fault in faults):  # it is TOML
        problems = run_table_problems(tomllib.loads(text))
        faults += [SheetFault(name, key, problem) for key, problem in problems]
    return tuple(faults)
