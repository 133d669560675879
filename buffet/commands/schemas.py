"""The command `schema`."""

from __future__ import annotations

import json

import click

from buffet.commands.running import say, told


@click.command()
@click.argument("name", required=False, metavar="[FORMAT]")
@told
def schema(name: str | None) -> None:
    """The JSON Schema of what commands print with --json.

    FORMAT is a document's name, e.g. rating; without one all are listed.
    """
    from buffet.schemas import formats
    from buffet.schemas import schema as schema_of
    from buffet.terminal import table

    if name is not None:
        say(json.dumps(schema_of(name), indent=2, ensure_ascii=False))
        return
    rows = [(one, str(schema_of(one)["description"])) for one in formats()]
    say(table(("format", "is"), rows))
