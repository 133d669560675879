"""Tables for spreadsheets: a row of units, and text that is never run as a formula."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from buffet.column_units import SEE_UNIT, UnknownColumnError, column_units
from buffet.writing import CsvTable, row_writers, write
from tests.buffet.campaigns import changed, lift_run, run_buffet, wind_off, write_runs, write_sheet

BOM = b"\xef\xbb\xbf"
HOSTILE = '=HYPERLINK("http://example.invalid")'
COMMANDS: dict[str, tuple[str, ...]] = {
    "spectra": (),
    "sweep": (),
    "rate": ("--speed", "130 km/h", "--up-to", "140 km/h"),
    "table": ("--from", "100 km/h", "--to", "140 km/h", "--step", "40 km/h"),
    "compare": ("--speed", "130 km/h"),
    "resonance": (),
}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car and an add-on whose name somebody made a formula."""
    runs = [
        wind_off("0"),
        replace(lift_run("1", 0.03, "bare", 30.0), zero="0"),
        lift_run("2", 0.015, HOSTILE, 30.0, 0.33),
    ]
    return write_runs(tmp_path_factory.mktemp("units") / "c", runs)


@pytest.fixture(scope="module", params=[*COMMANDS, "car"])
def table(
    request: pytest.FixtureRequest, campaign: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """What each command that has a table writes for a spreadsheet."""
    command = str(request.param)
    target = tmp_path_factory.mktemp("tables") / f"{command}.csv"
    words = ("saloon",) if command == "car" else (campaign, *COMMANDS[command])
    done = run_buffet(command, *words, "--units-row", "-o", target)
    assert done.exit_code == 0, done.stderr
    return target


def rows(path: Path) -> list[list[str]]:
    """Cells as a spreadsheet sees them."""
    assert path.read_bytes().startswith(BOM)
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))


def is_number(cell: str) -> bool:
    """Whether a cell holds a number."""
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_every_column_has_a_unit_or_is_text(table: Path) -> None:
    """No unit over text, none missing over numbers; names are those of the plain table."""
    header, units, *body = rows(table)

    assert body
    assert all(len(row) == len(header) == len(units) for row in body)
    for name, unit, column in zip(header, units, zip(*body, strict=True), strict=True):
        cells = [cell for cell in column if cell]
        if unit:
            assert all(map(is_number, cells)), name
        elif name not in ("run", "unit"):  # a name that is a number, the unit "1"
            assert not any(map(is_number, cells)), name
    for name, unit in zip(header, units, strict=True):
        assert ("unit" in header) or unit != SEE_UNIT, name


def test_no_cell_is_a_formula(table: Path) -> None:
    """Text stands behind an apostrophe, numbers do not."""
    for row in rows(table):
        for cell in row:
            assert is_number(cell) or not cell.startswith(("=", "+", "-", "@"))
    if table.stem in ("spectra", "rate", "table", "compare", "sweep"):
        assert any(f"'{HOSTILE}" in row for row in rows(table))
    if table.stem == "compare":
        assert any(cell.startswith("-") for row in rows(table)[2:] for cell in row)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("onset_speed_m_s_low", "m/s"),
        ("speed_km_h", "km/h"),
        ("weighted_acceleration_m_s2_with_tunnel", "m/s²"),
        ("steering_torque_rms_n_m", "N m"),
        ("lift_rms_n", "N"),
        ("dynamic_pressure_pa", "Pa"),
        ("road_unevenness_m3", "m³"),
        ("natural_frequency_hz_high", "Hz"),
        ("trace_energy_change_percent_low", "%"),
        ("up_to_frequency_over_speed_per_m", "1/m"),
        ("phase_deg", "deg"),
        ("rms_ratio_high", "1"),
        ("dynamic_pressure_factor_low", "1"),
        ("delta_front_lift_low", "1"),
        ("metric", SEE_UNIT),
        ("limit_likely", SEE_UNIT),
        ("unit", ""),
        ("verdict_with_tunnel", ""),
        ("why_no_steering", ""),
    ],
)
def test_units_follow_the_ending(name: str, unit: str) -> None:
    """By hand."""
    assert column_units([name, "unit"])[0] == unit


def test_a_coefficient_is_pure_where_rows_have_no_unit() -> None:
    """The RMS of `sweep`, against that of `spectra`."""
    assert column_units(["rms", "rms_low"]) == ["1", "1"]
    assert column_units(["unit", "rms"]) == ["", SEE_UNIT]


def test_a_column_without_a_rule_is_told() -> None:
    """Rather than left without a unit."""
    with pytest.raises(UnknownColumnError, match="height_furlong"):
        column_units(["height_furlong"])


def test_text_alone_is_quoted_and_parquet_is_as_it_was(tmp_path: Path) -> None:
    """Numbers below zero stay numbers; a run called -1 is text."""
    pytest.importorskip("pyarrow")
    plain = [{"run": text, "phase_deg": -1.5} for text in ("-1", "+a", "@b", "=c", "\tx", "d=e")]
    for suffix in (".csv", ".parquet"):
        write(tmp_path / f"t{suffix}", row_writers(plain))
    read = pd.read_csv(tmp_path / "t.csv")

    assert read["run"].tolist() == ["'-1", "'+a", "'@b", "'=c", "'\tx", "d=e"]
    assert read["phase_deg"].tolist() == [-1.5] * 6
    assert not (tmp_path / "t.csv").read_bytes().startswith(BOM)
    kept = pd.read_parquet(tmp_path / "t.parquet")["run"].tolist()
    assert kept == [row["run"] for row in plain]


def test_an_empty_table_is_written(tmp_path: Path) -> None:
    """No rows, no fault."""
    CsvTable([], units_row=True)(tmp_path / "t.csv")
    assert (tmp_path / "t.csv").exists()


def exported(folder: Path, name: str) -> Iterator[str]:
    """Lines of the export of a run with a channel of that name."""
    run = lift_run("1", 0.03, seconds=8.0)
    write_runs(folder, [run])
    write_sheet(folder, "1", changed(run.sheet(), ("channel", 0, "name"), name))
    done = run_buffet("export", folder, "--run", "1", "-o", folder / "e.csv")
    assert done.exit_code == 0, done.stderr
    yield from (folder / "e.csv").read_text(encoding="utf-8").splitlines()


def test_names_of_channels_are_no_formulas_in_an_export(tmp_path: Path) -> None:
    """Neither at the top of a column nor in the provenance, which stays the JSON it was."""
    name = "=1+1,=2+2"
    lines = list(exported(tmp_path / "c", name))
    head = next(csv.reader([next(line for line in lines if not line.startswith("#"))]))
    (provenance,) = (line for line in lines if line.startswith("# provenance = "))

    assert head[1] == f"'{name}"
    assert not any(cell.startswith("=") for cell in next(csv.reader([provenance])))
    document = json.loads(provenance.removeprefix("# provenance = "))
    assert document["channels"][0]["name"] == name


@pytest.mark.parametrize(
    ("target", "told"),
    [(None, "nothing is written"), ("t.json", ".json has none"), ("t.parquet", ".parquet has")],
)
def test_units_without_a_table_are_refused(
    target: str | None, told: str, campaign: Path, tmp_path: Path
) -> None:
    """At once, with what to do."""
    output = () if target is None else ("-o", tmp_path / target)
    done = run_buffet("rate", campaign, "--speed", "130 km/h", "--units-row", *output)

    assert done.exit_code == 2
    assert f"--units-row needs a table, -o FILE.csv: {told}" in done.stderr
    assert not list(tmp_path.iterdir())
