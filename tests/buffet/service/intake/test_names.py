"""Names of uploaded files are kept as people wrote them, or refused with a reason."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buffet.service.intake.errors import BadNameError, TooLargeError
from buffet.service.intake.limits import UploadLimits
from buffet.service.intake.names import (
    checked_name,
    checked_names,
    name_beside,
    without_top_folder,
)

GOOD = [
    "campaign.toml",
    "runs/014.toml",
    "Messungen/Heck – größer.csv",
    "a b/c $HOME `x` & (1).csv",
    "<script>alert(1)</script>.csv",
    "runs/'; drop table runs --.toml",
    "runs/{{ 7 * 7 }}.toml",
    "runs/..toml",
    "runs/...x/a.csv",
    ".hidden",
    "-rf",
    "runs/2026-03-02T10:14:00.csv",
    "console.csv",
    "com10.csv",
    "日本語.csv",
]
BAD = [
    ("", "is empty"),
    ("/etc/passwd", "is absolute"),
    ("//host/share", "is absolute"),
    ("C:/windows/win.ini", "is absolute"),
    ("c:win.ini", "is absolute"),
    ("..", "holds '..'"),
    ("../secret", "holds '..'"),
    ("runs/../../secret", "holds '..'"),
    ("runs/./014.toml", "holds '.'"),
    ("runs//014.toml", "has an empty component"),
    ("runs/", "has an empty component"),
    ("runs\\014.toml", "holds a backslash"),
    ("..\\..\\secret", "holds a backslash"),
    ("a\0.csv", r"holds U\+0000"),
    ("a\n.csv", r"holds U\+000A"),
    ("a\x1b[31m.csv", r"holds U\+001B"),
    ("a\x7f.csv", r"holds U\+007F"),
    ("a\u202egpj.csv", r"holds U\+202E"),
    ("a\u200d.csv", r"holds U\+200D"),
    ("a\ufeff.csv", r"holds U\+FEFF"),
    ("a\u2028.csv", r"holds U\+2028"),
    ("a\ud800.csv", r"holds U\+D800"),
    ("a\ue000.csv", r"holds U\+E000"),
    ("runs./a.csv", "ends in '.'"),
    ("runs/a.csv ", "ends in ' '"),
    ("CON", "a device on Windows"),
    ("runs/nul.csv", "a device on Windows"),
    ("runs/Com1 .tar.gz", "a device on Windows"),
    ("lpt³", "a device on Windows"),
    ("a" * 256, "component longer than 255 bytes"),
    ("ä" * 128, "component longer than 255 bytes"),
    ("/".join(["a" * 200] * 6), "longer than 1024 bytes"),
    ("/".join("a" * 17), "more than 16 levels"),
]


@pytest.mark.parametrize("name", GOOD)
def test_what_people_call_their_files_is_kept(name: str) -> None:
    """Markup and shell signs are text like any other: pages escape them."""
    assert checked_name(name) == name


@pytest.mark.parametrize(("name", "problem"), BAD, ids=[ascii(name)[:30] for name, _ in BAD])
def test_what_could_do_harm_is_refused_with_a_reason(name: str, problem: str) -> None:
    """The message names the file, safely quoted, and what to do."""
    with pytest.raises(BadNameError, match=problem) as caught:
        checked_name(name)

    assert str(caught.value).endswith("; rename it and send it again")
    assert str(caught.value).isprintable()
    assert (caught.value.status, caught.value.kind) == (422, "bad-name")


def test_a_decomposed_umlaut_is_composed() -> None:
    """As one system writes it and another does not find it."""
    assert checked_name("gro\u0308\u00dfer.csv") == "größer.csv"


@given(st.text(max_size=40) | st.text("./\\ aäC:\0\u202e", max_size=12))
def test_a_name_that_passes_stays_below_any_folder(text: str) -> None:
    """By Python's own rules for paths of both families, whatever was given."""
    try:
        name = checked_name(text)
    except BadNameError:
        return

    assert checked_name(name) == name
    assert unicodedata.is_normalized("NFC", name)
    assert os.path.normpath(name) == name
    assert Path("/srv/x", name).resolve().is_relative_to("/srv/x")
    assert not PurePosixPath(name).is_absolute()
    windows = PureWindowsPath(name)
    assert not windows.drive
    assert not windows.root
    assert not windows.is_reserved()
    assert ".." not in windows.parts
    name.encode()


@given(st.lists(st.text("abAB/", min_size=1, max_size=5), max_size=6))
def test_names_that_pass_together_can_all_be_written(texts: list[str]) -> None:
    """Even where upper and lower case are one: no file twice, no file that is a folder."""
    try:
        names = checked_names(texts)
    except BadNameError:
        return

    lower = [name.lower() for name in names]
    assert len(set(lower)) == len(texts)
    assert not [a for a in lower for b in lower if b.startswith(f"{a}/")]


@pytest.mark.parametrize(
    ("names", "problem"),
    [
        (["a.csv", "b.csv", "a.csv"], "'a.csv' stands there twice; send it once"),
        (["a.csv", "A.CSV"], "'A.CSV' differs from 'a.csv' by upper and lower case alone"),
        (["ä.csv", "a\u0308.csv"], "'ä.csv' stands there twice"),
        (["Straße", "STRASSE"], "differs from 'Straße'"),
        (["Runs/a.toml", "runs/b.toml"], "'runs' differs from 'Runs'"),
        (["runs", "runs/b.toml"], "'runs' is a file and a folder at once"),
        (["RUNS/x/y", "runs"], "'RUNS' is a file and a folder at once"),
        (["a", "b", "../c"], "holds '..'"),
    ],
)
def test_names_that_cannot_stand_together_are_refused(names: list[str], problem: str) -> None:
    """The later one is named, and what it meets."""
    with pytest.raises(BadNameError, match=problem):
        checked_names(names)


def test_names_keep_their_order_and_number() -> None:
    """One result a name; too many are refused."""
    assert checked_names(["b", "a/c", "a/b"]) == ("b", "a/c", "a/b")
    with pytest.raises(TooLargeError, match="3 files; wanted 2 or fewer"):
        checked_names(["a", "b", "c"], UploadLimits(entries=2))


@pytest.mark.parametrize(
    ("names", "short"),
    [
        (["top/campaign.toml", "top/runs/1.toml"], ("campaign.toml", "runs/1.toml")),
        (["top/runs/1.toml", "top/runs/1.csv"], ("runs/1.toml", "runs/1.csv")),
        (["campaign.toml", "top/runs/1.toml"], ("campaign.toml", "top/runs/1.toml")),
        (["runs/1.toml", "runs/1.csv"], ("runs/1.toml", "runs/1.csv")),
        (["recordings/1.csv"], ("recordings/1.csv",)),
        (["a/campaign.toml", "b/campaign.toml"], ("a/campaign.toml", "b/campaign.toml")),
        ([], ()),
    ],
)
def test_a_campaigns_own_folder_is_taken_off(names: list[str], short: tuple[str, ...]) -> None:
    """But not runs/ or recordings/, which belong to the campaign."""
    assert without_top_folder(names) == short


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("014.csv", "runs/014.csv"),
        ("./014.csv", "runs/014.csv"),
        ("../recordings/014.csv", "recordings/014.csv"),
        ("x/../014.csv", "runs/014.csv"),
    ],
)
def test_a_sheet_names_files_beside_itself(text: str, name: str) -> None:
    """Relative to the sheet's folder."""
    assert name_beside("runs/014.toml", text) == name


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("../../014.csv", "leaves the campaign folder; keep it inside"),
        ("/etc/passwd", "is absolute; name it relative to its sheet"),
        ("..", "is empty"),
        ("a//b", "has an empty component"),
        ("a\\b", "holds a backslash"),
    ],
)
def test_a_sheet_cannot_name_files_elsewhere(text: str, problem: str) -> None:
    """Whatever it spells."""
    with pytest.raises(BadNameError, match=problem):
        name_beside("runs/014.toml", text)
