"""Which runs use which balance, and what their channels become."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from ingest.balance import Balance
from ingest.balance_sheet import balance_from_file
from ingest.channel import MOMENTS, Channel, Measures
from ingest.errors import SheetFault
from ingest.paths import PathFault, named_file
from ingest.sheet_faults import nearest

if TYPE_CHECKING:
    from ingest.record import Run


class Balances:
    """The balance files that the sheets of one campaign name, each read once."""

    def __init__(self, folder: Path, campaign_file: str, default: str | None) -> None:
        """`default` is what the campaign's own sheet names."""
        self._folder = folder
        self._read: dict[Path, Balance | None] = {}
        self.faults: list[SheetFault] = []
        self._default = self._named(folder / campaign_file, default) if default else None
        self._own: dict[str, Balance | None] = {}  # by run sheet

    def _named(self, sheet: Path, text: str) -> Balance | None:
        try:
            path = named_file(self._folder, sheet, text)
        except PathFault as error:
            shown = sheet.relative_to(self._folder).as_posix()
            self.faults.append(SheetFault(shown, "balance.file", str(error)))
            return None
        if path not in self._read:
            shown = path.relative_to(self._folder.resolve()).as_posix()
            self._read[path], faults = balance_from_file(path, shown)
            self.faults += faults
        return self._read[path]

    def read_named(self, tables: Mapping[str, Mapping[str, Any]]) -> None:
        """Read what the run sheets, by file, name themselves, even where these are at fault."""
        for shown, table in tables.items():
            named = table.get("balance")
            text = named.get("file") if isinstance(named, dict) else None
            if isinstance(text, str) and text:
                self._own[shown] = self._named(self._folder / shown, text)

    def used_on(self, run: Run) -> Run:
        """The run with loads in place of the bridges of its balance, where it has one."""
        shown = run.sheet.relative_to(self._folder).as_posix()
        balance = self._own.get(shown)
        if shown not in self._own and any(c.measures == "bridge" for c in run.channels):
            balance = self._default
        if balance is None:
            return run
        faults = list(_channel_faults(shown, run.channels, balance))
        self.faults += faults
        return run if faults else with_balance(run, balance)


def _channel_faults(
    shown: str, channels: Sequence[Channel], balance: Balance
) -> Iterator[SheetFault]:
    position = {channel.name: i for i, channel in enumerate(channels)}
    for bridge in balance.bridges:
        if bridge not in position:
            bridges = [c.name for c in channels if c.measures == "bridge"]
            yield SheetFault(
                shown,
                "channel",
                f"{balance.source} needs a channel {bridge!r} that measures 'bridge', which is "
                f"missing{nearest(bridge, bridges)}",
            )
            continue
        place = position[bridge]
        channel, key = channels[place], f"channel[{place}]"
        if channel.measures != "bridge":
            problem = f"must be 'bridge' for {balance.source}, got {channel.measures!r}"
            yield SheetFault(shown, f"{key}.measures", problem)
        elif channel.unit != balance.bridge_unit:
            problem = (
                f"{balance.source} takes {bridge!r} in {_said(balance.bridge_unit)}, "
                f"this sheet gives it in {_said(channel.unit)}"
            )
            yield SheetFault(shown, f"{key}.unit", problem)
    for load in balance.loads:
        if load in position and load not in balance.bridges:
            problem = f"{balance.source} gives {load!r}; name this channel otherwise"
            yield SheetFault(shown, f"channel[{position[load]}].name", problem)


def _said(unit: str) -> str:
    return "a plain ratio" if unit == "1" else unit


def with_balance(run: Run, balance: Balance) -> Run:
    """The run with the balance's loads where its first bridge was, and without its bridges."""
    first = min(i for i, c in enumerate(run.channels) if c.name in balance.bridges)
    others = [
        [c for c in part if c.name not in balance.bridges]
        for part in (run.channels[:first], run.channels[first:])
    ]
    loads = [_load_channel(balance, i) for i in range(len(balance.loads))]
    channels = (*others[0], *loads, *others[1])
    return replace(run, channels=channels, logged=run.channels, balance=balance)


def _load_channel(balance: Balance, index: int) -> Channel:
    load = balance.loads[index]
    return Channel(
        name=load,
        column=load,  # of no recording
        measures=cast(Measures, load),
        unit="N m" if load in MOMENTS else "N",
        scale=1.0,
        natural_frequency_hz=balance.natural_frequency_hz[index],
        damping=balance.damping[index],
        made_of=balance.needed_bridges(index),
        standard_uncertainty=balance.standard_uncertainty[index],
    )
