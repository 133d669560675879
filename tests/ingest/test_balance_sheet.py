"""Balance files with one wrong entry each, and the sheets that name them."""

from __future__ import annotations

import copy
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import SheetError, open_campaign, read_balance
from tests.ingest.balance_fault_cases import BALANCE_FAULTS, TERM
from tests.ingest.balances import balance_table
from tests.ingest.campaigns import CAMPAIGN, LIFT, run_sheet, toml, write_campaign
from tests.ingest.test_sheet_faults import JUNK, places, put


def changed(place: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    """The balance file with one entry written over."""
    table = copy.deepcopy(balance_table())
    put(table, place, value)
    return table


def faults_of(folder: Path, table: dict[str, Any]) -> list[str]:
    """What is wrong with a balance file, read by itself."""
    path = folder / "balance.toml"
    path.write_text(toml(table).replace("NaN", "nan").replace("Infinity", "inf"))
    try:
        read_balance(path)
    except SheetError as error:
        return [str(fault) for fault in error.faults]
    return []


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [case[1:] for case in BALANCE_FAULTS],
    ids=[case[0] for case in BALANCE_FAULTS],
)
def test_one_wrong_entry(
    tmp_path: Path, place: tuple[str | int, ...], value: Any, says: str
) -> None:
    """Each is told by file, key, what was given and what is wanted."""
    faults = faults_of(tmp_path, changed(place, value))

    assert any(fault.startswith(f"balance.toml: {says}") for fault in faults), faults


def test_a_term_written_the_other_way_round_is_the_same(tmp_path: Path) -> None:
    """FG is GF and |F|G is G|F|; F|G| and |F|G of the same two are two terms."""

    def term(kind: str, *inputs: str) -> dict[str, Any]:
        return TERM | {"kind": kind, "inputs": list(inputs)}

    twice = [term("F|G|", "drag", "lift"), term("|F|G", "lift", "drag")]
    assert faults_of(tmp_path, balance_table() | {"term": twice})
    assert faults_of(
        tmp_path,
        balance_table() | {"term": [term("FG", "drag", "lift"), term("FG", "lift", "drag")]},
    )
    both = [term("F|G|", "drag", "lift"), term("|F|G", "drag", "lift")]
    assert not faults_of(tmp_path, balance_table() | {"term": both})


def test_all_faults_at_once(tmp_path: Path) -> None:
    """A unit, the matrix' rows and its columns, and a load that is none: four lines."""
    table = balance_table(load_units=["N", "V"], matrix=[[1.0]])
    table["envelope"] = {"roll moment": [-1, 1]}

    assert len(faults_of(tmp_path, table)) == 4


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(list(places(balance_table()))), st.sampled_from(JUNK)),
        min_size=1,
        max_size=3,
    )
)
def test_wrong_balance_files_give_sheet_errors_only(
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    """Whatever is written in one, it is accepted or its faults are listed."""
    table = copy.deepcopy(balance_table())
    for place, value in changes:
        try:
            put(table, place, value)
        except (KeyError, IndexError, TypeError):  # an earlier change is in the way
            continue
    with tempfile.TemporaryDirectory() as folder:
        assert all(fault for fault in faults_of(Path(folder), table))


def bridges(**changes: Any) -> list[dict[str, Any]]:
    """Channels b1 and b2, and a tap."""
    bridge = {"measures": "bridge", "unit": "mV"} | changes
    return [
        {"column": "bal_fz", "name": "b1", **bridge},
        {"column": "p07", "name": "b2", "measures": "bridge", "unit": "V"},
    ]


def campaign_faults(
    folder: Path, channels: list[dict[str, Any]], own: str | None, default: str | None = None
) -> list[str]:
    """Faults of a campaign with one run of these channels and these balance files."""
    sheet = run_sheet("014") | {"channel": channels}
    sheet |= {"balance": {"file": own}} if own else {}
    campaign = CAMPAIGN | ({"balance": {"file": default}} if default else {})
    write_campaign(folder, {"014": sheet}, campaign)
    (folder / "balance.toml").write_text(toml(balance_table()))
    try:
        open_campaign(folder)
    except SheetError as error:
        return [str(fault) for fault in error.faults]
    return []


@pytest.mark.parametrize(
    ("channels", "says"),
    [
        (bridges()[:1], "runs/014.toml: channel: balance.toml needs a channel 'b2' that measures"),
        (bridges(name="b11"), "runs/014.toml: channel: balance.toml needs a channel 'b1' that "
         "measures 'bridge', which is missing; did you mean 'b11'?"),
        (bridges(measures="other"), "runs/014.toml: channel[0].measures: must be 'bridge' for "
         "balance.toml, got 'other'"),
        (bridges(unit="count"), "runs/014.toml: channel[0].unit: balance.toml takes 'b1' in V, "
         "this sheet gives it in count"),
        ([*bridges(), LIFT], "runs/014.toml: channel[2].name: balance.toml gives 'lift'; name"),
    ],
)  # fmt: skip
def test_a_run_has_its_bridges(tmp_path: Path, channels: list[dict[str, Any]], says: str) -> None:
    """Each missing, misnamed or otherwise measured one is told in the run's own sheet."""
    faults = campaign_faults(tmp_path, channels, "../balance.toml")

    assert [fault for fault in faults if fault.startswith(says)], faults


def test_the_campaigns_balance_is_the_default(tmp_path: Path) -> None:
    """Runs without bridges need none; a run sheet's own goes first."""
    assert not campaign_faults(tmp_path / "a", [LIFT], None, "balance.toml")
    assert not campaign_faults(tmp_path / "b", bridges(), None, "balance.toml")
    default = open_campaign(tmp_path / "b").run("014")
    assert [c.name for c in default.channels] == ["drag", "lift"]
    assert [c.name for c in default.logged] == ["b1", "b2"]
    (fault,) = campaign_faults(tmp_path / "c", bridges(), "../other.toml", "balance.toml")
    assert fault == "runs/014.toml: balance.file: names a file that does not exist: '../other.toml'"


def test_bridges_of_no_balance_stay_channels(tmp_path: Path) -> None:
    """Loads stand where the first bridge of the balance was; all else keeps its order."""
    b1, b2 = bridges()
    channels = [LIFT | {"name": "other lift"}, b1 | {"name": "b9"}, b1, LIFT | {"name": "x"}, b2]
    assert not campaign_faults(tmp_path, channels, "../balance.toml")

    run = open_campaign(tmp_path).run("014")

    assert [c.name for c in run.channels] == ["other lift", "b9", "drag", "lift", "x"]
    assert run.channels[1].measures == "bridge"


def test_faults_of_a_shared_file_are_told_once(tmp_path: Path) -> None:
    """Two runs name it, and one of them is at fault itself."""
    runs = {n: run_sheet(n) | {"channel": bridges()} for n in ("1", "2")}
    for sheet in runs.values():
        sheet["balance"] = {"file": "../balance.toml"}
    runs["2"]["sampling"] = {"rate": "1 km"}
    write_campaign(tmp_path, runs)
    (tmp_path / "balance.toml").write_text(toml(balance_table(bridge_unit="lots")))

    with pytest.raises(SheetError) as caught:
        open_campaign(tmp_path)

    assert [fault.file for fault in caught.value.faults] == ["runs/2.toml", "balance.toml"]


def test_resonances_and_uncertainties_reach_the_channels(tmp_path: Path) -> None:
    """What the file states of a load stands on its channel."""
    write_campaign(tmp_path, {"014": run_sheet("014") | {"channel": bridges()}},
                   CAMPAIGN | {"balance": {"file": "balance.toml"}})  # fmt: skip
    table = balance_table() | {
        "resonance": {"lift": {"natural_frequency": "38 Hz", "damping": 0.02}}
    }
    (tmp_path / "balance.toml").write_text(toml(table))

    drag, lift = open_campaign(tmp_path).run("014").channels

    assert (lift.natural_frequency_hz, lift.damping) == (38.0, 0.02)
    assert (drag.natural_frequency_hz, drag.damping) == (None, None)
    assert (drag.standard_uncertainty, lift.standard_uncertainty) == (0.2, 0.4)
    assert (lift.measures, lift.unit, set(lift.made_of)) == ("lift", "N", {"b1", "b2"})
