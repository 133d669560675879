"""MATLAB 7.3 recordings: HDF5 behind MATLAB's own block, arrays with their dimensions reversed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from ingest.errors import RecordingError
from tests.ingest.array_support import columns, recording, source


def variable(file: h5py.File, name: str, values: Any, kind: str = "double") -> None:
    """A variable as MATLAB stores it: what is (rows, columns) there is (columns, rows) here."""
    file[name] = np.atleast_2d(values).T
    file[name].attrs["MATLAB_class"] = np.bytes_(kind)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Channels, a time, a rate, and what else a workspace may hold."""
    path = tmp_path / "014.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        variable(file, "fz", np.arange(6.0)[:, None])
        variable(file, "p", np.arange(6)[None, :].astype(np.int16), "int16")
        variable(file, "taps", np.arange(12.0).reshape(6, 2))
        variable(file, "t", np.arange(6)[:, None] / 50)
        variable(file, "Fs", 50.0)
        variable(file, "on", np.array([[0, 1, 0, 1, 1, 1]], np.uint8), "logical")
        variable(file, "note", np.array([[97, 98]], np.uint16), "char")
        variable(file, "none", np.array([[0, 0]], np.uint64))
        file["none"].attrs["MATLAB_empty"] = np.uint8(1)
        variable(file, "cells", np.zeros((1, 2), np.uint64), "cell")
        file["run/fz"] = np.zeros((1, 6))
        file["run"].attrs["MATLAB_class"] = np.bytes_("struct")
        file["#refs#/a"] = np.arange(3.0)
        file["z"] = np.zeros((6, 1), [("real", "f8"), ("imag", "f8")])
        file["z"].attrs["MATLAB_class"] = np.bytes_("double")
    with open(path, "r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124) + b"\0\2IM")
    return path


def test_arrays_are_columns(path: Path) -> None:
    """The single number Fs is their rate; t is their clock."""
    found = source(path)

    assert found.reader == "MATLAB 7.3"
    names = ("fz", "on", "p", "t", "taps[0]", "taps[1]")
    assert found.columns[: len(names)] == names
    assert found.rates_hz[:6] == (50.0, 50.0, 50.0, None, 50.0, 50.0)
    assert len(set(found.groups[:6])) == 1
    assert found.clocks == (3,)
    assert columns(path, ["p", "taps[1]", "on"]).tolist() == [
        [0, 1, 2, 3, 4, 5],
        [1, 3, 5, 7, 9, 11],
        [0, 1, 0, 1, 1, 1],
    ]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("run", "a MATLAB struct stands where an array is wanted; save the channels as plain arr"),
        ("note", "a MATLAB char stands where an array is wanted"),
        ("cells", "a MATLAB cell stands where an array is wanted"),
        ("z", "its numbers are complex"),
    ],
)
def test_what_is_no_array_is_refused_where_wanted(path: Path, name: str, words: str) -> None:
    """With what to save instead."""
    with pytest.raises(RecordingError, match=f"column '{name}': {words}"):
        columns(path, [name])


def test_a_stated_orientation_is_matlabs_own(tmp_path: Path) -> None:
    """Columns are MATLAB's columns, though the file holds them as rows."""
    path = tmp_path / "014.mat"
    with h5py.File(path, "w") as file:
        variable(file, "taps", np.arange(6.0).reshape(3, 2))

    assert recording(path, "columns").columns == ("taps[0]", "taps[1]")
    assert columns(path, ["taps[1]"], "columns").tolist() == [[1.0, 3.0, 5.0]]
    assert columns(path, ["taps[2]"], "rows").tolist() == [[4.0, 5.0]]
    assert recording(path).columns == ("taps[0]", "taps[1]")


def test_a_user_block_of_any_size(tmp_path: Path) -> None:
    """The signature may stand at any power of two from 512 on."""
    path = tmp_path / "014.h5"
    with h5py.File(path, "w", userblock_size=8192) as file:
        file["p"] = np.arange(3.0)

    assert source(path).reader == "HDF5"
    assert columns(path).tolist() == [[0.0, 1.0, 2.0]]
