"""Fifty readers and five uploaders of one server, for as long as is asked."""

from __future__ import annotations

from dataclasses import replace

from tests.buffet.service.databases import KINDS
from tests.buffet.service.loading import load
from tests.thorough.databases import settings_of


def print_load(n: int) -> None:
    """`n` seconds over each database, with an analysed campaign's board; figures as measured."""
    for kind in KINDS:
        with settings_of(kind) as given:
            found = load(replace(given, folder=given.folder / "service"), float(n), "board")
        print(f"{kind}:", *found.lines(), *found.errors[:5], sep="\n  ", flush=True)
