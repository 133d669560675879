"""Errors keep their pieces, make their own text and survive a process border."""

import pickle

import pytest

from ingest.errors import (
    IngestError,
    QuantityError,
    RecordingError,
    RecordUseError,
    SheetError,
    SheetFault,
)

FAULT = SheetFault("runs/014.toml", "channel[0].gain", "must be N/V, got Pa/V")
EXAMPLES = [
    QuantityError("40 m", "a speed such as '40 m/s'"),
    SheetError("campaign", [FAULT, SheetFault("vehicle.toml", "", "not found")]),
    RecordingError("014.csv", "line 17", "3 fields found, 4 expected", "repair the line"),
    RecordUseError("run 014 was already read"),
]


@pytest.mark.parametrize("error", EXAMPLES, ids=lambda e: type(e).__name__)
def test_every_error_is_an_ingest_error_that_pickles(error: IngestError) -> None:
    """A worker process can hand each error back with the same text."""
    copy = pickle.loads(pickle.dumps(error))

    assert isinstance(copy, IngestError)
    assert str(error) == str(copy)


def test_recording_error_names_file_place_problem_and_advice() -> None:
    """The text holds all four pieces in reading order."""
    text = str(EXAMPLES[2])

    assert text == "014.csv, line 17: 3 fields found, 4 expected; repair the line"


def test_recording_error_without_place_names_the_file_only() -> None:
    """No stray comma where the whole file is meant."""
    assert (
        str(RecordingError("a.csv", "", "empty", "copy it again")) == "a.csv: empty; copy it again"
    )


def test_sheet_error_lists_every_fault() -> None:
    """Several faults are counted and listed one a line."""
    lines = str(EXAMPLES[1]).splitlines()

    assert lines[0] == "2 faults in the sheets of campaign:"
    assert lines[1] == "  runs/014.toml: channel[0].gain: must be N/V, got Pa/V"
    assert lines[2] == "  vehicle.toml: not found"


def test_single_fault_needs_no_list() -> None:
    """One fault reads as one sentence."""
    assert str(FAULT) == str(SheetError("campaign", [FAULT]))
