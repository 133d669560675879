"""`--workers`, `--memory` and `--cluster`, of every command that reads the runs of a campaign."""

from __future__ import annotations

import re
from functools import wraps
from typing import Any

import click

from buffet.options import Command

NAMES = ("workers", "memory", "cluster")


UNITS = "KMGT"


class MemoryType(click.ParamType[float]):
    """Bytes as people write them: "4 GB", "800mb", "4 GiB", which is 7 % more than 4 GB."""

    name = "memory"

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        if isinstance(value, float):
            return value
        amount = rf"\s*([0-9]+(?:\.[0-9]*)?)\s*([{UNITS}])(I?)B?\s*"
        found = re.fullmatch(amount, value.upper())
        base = 1024.0 if found and found[3] else 1000.0
        bytes_ = float(found[1]) * base ** (UNITS.index(found[2]) + 1) if found else 0.0
        if not bytes_:
            self.fail(f'got {value!r}; wanted an amount of memory, for example "4 GB"', param, ctx)
        return bytes_


def on_workers(function: Command) -> Command:
    """`--workers`, `--memory` and `--cluster`, handed on as one `workers`."""

    @wraps(function)
    def packed(**given: Any) -> Any:
        from buffet.workers.choice import Workers

        count, memory, cluster = (given.pop(name) for name in NAMES)
        if cluster is not None and (count is not None or memory is not None):
            raise click.UsageError("--cluster has workers of its own: no --workers or --memory")
        return function(workers=Workers(count, memory, cluster), **given)

    command: Any = packed
    for option in (
        click.option(
            "--cluster",
            metavar="ADDRESS",
            help="Read runs on a Dask cluster, e.g. tcp://127.0.0.1:8786.",
        ),
        click.option(
            "--memory",
            type=MemoryType(),
            metavar="SIZE",
            help='That workers may take together, e.g. "4 GB"; half of what is free.',
        ),
        click.option(
            "--workers",
            type=click.IntRange(1, 256),
            metavar="N",
            help="Processes that read runs; one a core unless runs are few.",
        ),
    ):
        command = option(command)
    return command  # type: ignore[no-any-return]
