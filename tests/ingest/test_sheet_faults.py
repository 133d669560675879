"""No sheet, however wrong, gets past the door or out of it as anything but a sheet error."""

from __future__ import annotations

import contextlib
import copy
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import SheetError, SheetFault, open_campaign
from ingest.sheet_faults import dotted, nearest
from tests.ingest.campaigns import CAMPAIGN, VEHICLE, three_runs, write_campaign

JUNK: list[Any] = [
    "", "x", "nan m", "1e400 m", "2 m^9", "40 m/s", "-1 N", "\0", "a" * 200, 0, -1, 1.5, 1e308,
    True, [], [1], ["1 m"] * 3, [[]], {}, {"a": 1}, {"file": "x"}, "../..", "1 degC", "0 V", "N/V",
    "1", 10**400,  "2026-03-02", "9999-12-31T23:59:59Z", ".", "runs",
]  # fmt: skip


def places(table: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in nested tables and lists."""
    items = table.items() if isinstance(table, dict) else enumerate(table)
    for key, value in items:
        yield (*at, key)
        if isinstance(value, dict | list):
            yield from places(value, (*at, key))


RUN = three_runs()["014"]
WHERE = [
    (name, place)
    for name, sheet in (("campaign", CAMPAIGN), ("vehicle", VEHICLE), ("014", RUN))
    for place in places(sheet)
]


def put(table: Any, place: tuple[Any, ...], value: Any) -> None:
    """Write a value into nested tables, where the way there still exists."""
    for part in place[:-1]:
        table = table[part]
    table[place[-1]] = value


def faults_of(folder: Path) -> tuple[SheetFault, ...] | None:
    """The faults of a campaign; None where it opens."""
    try:
        open_campaign(folder)
    except SheetError as error:
        return error.faults
    return None


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.sampled_from(WHERE), st.sampled_from(JUNK)), min_size=1, max_size=4))
def test_wrong_sheets_give_sheet_errors_only(changes: list[tuple[tuple[str, Any], Any]]) -> None:
    """Whatever is written in a sheet, it is accepted or listed as faults of a known file."""
    campaign, vehicle, runs = copy.deepcopy(CAMPAIGN), copy.deepcopy(VEHICLE), three_runs()
    sheets = {"campaign": campaign, "vehicle": vehicle, "014": runs["014"]}
    for (name, place), value in changes:
        with contextlib.suppress(
            KeyError, IndexError, TypeError
        ):  # an earlier change is in the way
            put(sheets[name], place, copy.deepcopy(value))
    with tempfile.TemporaryDirectory() as folder:
        write_campaign(Path(folder), runs, campaign, vehicle)
        faults = faults_of(Path(folder))

    assert faults is None or faults
    assert all(fault.file and fault.problem for fault in faults or ())


def test_nearest_lists_what_is_known_where_nothing_is_close() -> None:
    """A wild guess is answered with the whole choice."""
    assert nearest("spedd", ["speed", "yaw"]) == "; did you mean 'speed'?"
    assert nearest("qqq", ["speed", "yaw"]) == "; known are speed, yaw"
    assert nearest("qqq", []) == ""


def test_leading_zeros_make_no_other_number() -> None:
    """The same number written differently goes before a word that looks alike."""
    assert nearest("1", ["z1", "001", "11"]) == "; did you mean '001'?"
    assert nearest("0012", ["0013", "12"]) == "; did you mean '12'?"
    assert nearest("0", ["1", "z"]) == "; known are 1, z"


def test_places_are_written_as_in_toml() -> None:
    """Tables by dots, list entries by their index."""
    assert dotted(("channel", 2, "at", 0)) == "channel[2].at[0]"
