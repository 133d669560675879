"""Words of sheets that stand in addresses, pages and the catalogue: what these cannot take.

The command line takes them all. Here a run has an address, PostgreSQL keeps no NUL, and a page
must not show something else than stands there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from buffet.service.intake.errors import shown
from buffet.service.intake.names import unseen

LONGEST_NUMBER = 100
LONGEST_WORD = 500  # titles and configurations


def word_problem(text: str) -> str | None:
    """What is wrong with a title or the name of a configuration, or None."""
    return _problem(text, LONGEST_WORD)


def number_problem(text: str) -> str | None:
    """What is wrong with a run's number, or None."""
    if "/" in text:
        return f"is {shown(text)}; wanted no '/', which parts an address: write 12-3 for 12/3"
    if text in (".", ".."):
        return f"is {shown(text)}, which browsers take out of an address; choose another"
    return _problem(text, LONGEST_NUMBER)


def _problem(text: str, longest: int) -> str | None:
    if (character := unseen(text)) is not None:
        return f"is {shown(text)}, with {character}, a character that is not shown; leave it out"
    if len(text) > longest:
        return f"is {shown(text)}, of {len(text)} characters; wanted {longest} or fewer"
    return None


def run_table_problems(table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Key and problem of the words in a run sheet, whatever else is wrong with it."""
    run = table.get("run")
    for key, problem_of in (("number", number_problem), ("configuration", word_problem)):
        text = run.get(key) if isinstance(run, dict) else None
        if isinstance(text, str) and (problem := problem_of(text)) is not None:
            yield f"run.{key}", problem
