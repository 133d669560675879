"""Loading tables as people write them, and tables that are none."""

from __future__ import annotations

import contextlib
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buffet.calibrating.equations import TermSet
from buffet.calibrating.fit import CalibrationSettings, calibrate
from buffet.calibrating.loadings import read_loadings
from buffet.calibration_document import calibration_document
from buffet.calibration_text import calibration_text
from buffet.documents import dumps
from buffet.errors import CalibrationError
from ingest import Form
from tests.buffet.campaigns import run_buffet
from tests.buffet.loading_tables import planted

JUNK = ["0", "1e308", "-1e29", "1e-320", "abc", "", "1,5", ";", "\n", "(N)", "drag (N)", "series",
        "\t", '"', "\0", "\u00b2", "1_000"]  # fmt: skip


def table_text(rows: int = 12) -> str:
    """Two loads and bridges, by hand."""
    lines = ["lift (N),drag (N),b1 (V),b2 (V)"]
    for i in range(rows):
        lift, drag = (-1) ** i * (10.0 + i), 3.0 * (i % 5) - 7.0
        lines.append(f"{lift},{drag},{0.01 * lift + 1e-4 * (i % 3)},{0.02 * drag + 0.001 * lift}")
    return "\n".join(lines) + "\n"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 14), st.integers(0, 3), st.sampled_from(JUNK)),
        min_size=1,
        max_size=4,
    ),
    st.sampled_from(["iterative", "direct"]),
    st.sampled_from([None, "linear", "all"]),
)
def test_spoilt_tables_give_our_own_errors_only(
    changes: list[tuple[int, int, str]], form: Form, terms: TermSet | None
) -> None:
    """Whatever stands in a cell, the table is fitted and told of, or refused in our words."""
    cells = [line.split(",") for line in table_text(14).splitlines()]
    for row, column, junk in changes:
        cells[row][column] = junk
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.csv"
        path.write_text("\n".join(map(",".join, cells)), encoding="utf-8")
        with contextlib.suppress(CalibrationError):
            found = calibrate(read_loadings(path), CalibrationSettings(form, terms))
            assert calibration_text(found)
            assert dumps(calibration_document(found))


def test_a_table_written_elsewhere(tmp_path: Path) -> None:
    """Semicolons, decimal commas, a byte-order mark, comments, a units row, names in capitals."""
    case = planted(13, 50, 2, n_series=1)
    body = case.text(";", ",").splitlines()[1:]
    units = "-;N;N;mV/V;mV/V;;"
    rows = [f"{line};{i};by hand" for i, line in enumerate(body)]
    header = "Series;Drag;SIDE_FORCE;b1;b2;no;note"
    text = "\n".join(["\ufeff# made up", header, units, "", *rows])
    (tmp_path / "else.csv").write_text(text, encoding="utf-8")

    table = read_loadings(tmp_path / "else.csv", ["b1", "b2"])

    np.testing.assert_array_equal(table.load_values, case.loads)
    np.testing.assert_array_equal(table.bridge_values, case.readings)
    assert (table.loads, table.bridge_unit, table.ignored) == (
        ("drag", "side force"), "mV/V", ("no", "note"),
    )  # fmt: skip
    assert table.lines[0] == 5


BAD: list[tuple[str, str, str, tuple[str, ...], str]] = [
    ("text", ",0.1,", ",abc,", (), "line 2, column b1: got 'abc'; wanted a number up to 1e+30"),
    ("empty", ",0.1,", ",,", (), "line 2, column b1: got ''; wanted a number up to 1e+30"),
    ("nan", "10.0,", "nan,", (), "line 2, column lift: got 'nan'; wanted a number up to 1e+30"),
    ("infinite", "10.0,", "1e999,", (), "line 2, column lift: got '1e999'; wanted a number"),
    ("cells", "10.0,", "10.0,1,", (), "line 2: has 5 cells, the header 4"),
    ("no loads", "lift (N),drag (N)", "a (N),b (N)", (), "no column is named like a load"),
    ("twice", "drag (N)", "lift (N)", (), "line 1: the header names lift twice"),
    ("nameless", "b2 (V)", "(V)", (), "line 1: the header has a nameless column"),
    ("no unit", "lift (N)", "lift", (), "column lift: has no unit; write 'lift (N)'"),
    ("unit", "lift (N)", "lift (N m)", (), "column lift: 'N m' is no unit of a force"),
    ("bridge unit", "b1 (V)", "b1 (mV)", (), "all bridges must have one unit, got b1 in mV"),
    ("load misspelt", "lift (N)", "lfit (N)", (), "loads are called drag, side force, lift, "),
    ("no bridge unit", "b1 (V),b2 (V)", "b1,b2", (), "column b1: has no unit"),
    ("bridges", "b1", "b1", ("--bridges", "b1,b3"), "there is no bridge 'b3'"),
    ("same bridge", "b1", "b1", ("--bridges", "b1,b1"), "--bridges names one twice"),
    ("one bridge", "b1", "b1", ("--bridges", "b1"), "needs as many bridges as loads, got bridges"),
    ("no terms", "b1", "b1", ("--terms", "all"), "12 loadings are too few for"),
    ("point", "b1", "b1", ("--reference-point", "a", "b", "c"), "balance.reference_point"),
]


@pytest.mark.parametrize(
    ("old", "new", "options", "says"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_bad_tables_end_with_one_message(
    tmp_path: Path, old: str, new: str, options: tuple[str, ...], says: str
) -> None:
    """Place, what was given and what is wanted; exit code 1, and nothing is written."""
    text = table_text()
    assert old in text
    (tmp_path / "loads.csv").write_text(text.replace(old, new, 1), encoding="utf-8")

    done = run_buffet(
        "calibrate", tmp_path / "loads.csv", "-o", tmp_path / "balance.toml", *options
    )

    assert done.exit_code == 1
    assert says in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "balance.toml").exists()


def test_loads_that_are_not_varied_are_named(tmp_path: Path) -> None:
    """Drag always half the lift, then drag never applied."""
    case = planted(19, 40, 2)
    for drag in (0.5 * case.loads[:, 1], np.zeros(40)):
        loads = np.column_stack([drag, case.loads[:, 1]])
        with pytest.raises(CalibrationError, match="do not determine the linear part"):
            calibrate(replace(case, loads=loads).table(tmp_path))


def test_bridges_that_do_not_tell_loads_apart_are_refused(tmp_path: Path) -> None:
    """Two bridges that read the same."""
    case = planted(20, 40, 2, n_series=1)
    readings = case.readings[:, [0, 0]]
    with pytest.raises(CalibrationError, match=r"balance\.matrix is singular"):
        calibrate(replace(case, readings=readings).table(tmp_path))


def test_files_that_are_no_tables(tmp_path: Path) -> None:
    """Missing, empty, a header alone, bytes, a series of one loading."""

    def refused(data: bytes) -> str:
        (tmp_path / "x.csv").write_bytes(data)
        with pytest.raises(CalibrationError) as caught:
            read_loadings(tmp_path / "x.csv")
        return str(caught.value)

    with pytest.raises(CalibrationError, match="cannot be read"):
        read_loadings(tmp_path / "none.csv")
    assert "holds no loadings" in refused(b"")
    assert "holds no loadings" in refused(b"lift (N),b1 (V)\n")
    assert "holds no loadings below its units" in refused(b"lift,b1\nN,V\n")
    assert "no delimited text in UTF-8" in refused(b"\xff\xfe\x00")
    assert "no column with numbers is left for the bridges" in refused(b"lift (N)\n1\n2\n")
    one = b"series,lift (N),b1 (V)\na,1,2\na,2,3\nb,3,4\n"
    assert "line 4: series 'b' has this loading alone" in refused(one)
