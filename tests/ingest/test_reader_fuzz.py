"""Damaged files of every format: samples or a RecordingError, and nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.ingest import fuzz_files
from tests.ingest.reader_fuzz import FORMATS, Format, damaged, fuzz_reader

CASES = 100


@pytest.mark.parametrize("format_", FORMATS, ids=lambda format_: format_.name)
def test_a_damaged_file_is_read_or_refused(format_: Format) -> None:
    """Within the memory and time that a valid file may take."""
    tally = fuzz_reader(format_.make_valid, CASES, 1, format_.pack)

    assert tally.read + tally.refused == CASES
    assert tally.refused > CASES // 20  # the damage is seen, not only passed by


def no_recording(folder: Path) -> Path:
    """A reader's own fault, as far as the fuzzing can tell."""
    raise ZeroDivisionError(folder)


def test_what_else_comes_of_it_is_told() -> None:
    """The child's traceback stands in the failure."""
    with pytest.raises(AssertionError, match="ZeroDivisionError"):
        fuzz_reader(no_recording, 1, 1)


def test_damage_changes_the_file() -> None:
    """Nearly always, and the same with the same seed."""
    content = fuzz_files.zipped(b"1,2\n3,4\n" * 50)
    made = [damaged(content, np.random.default_rng([1, case])) for case in range(100)]

    assert sum(one == content for one in made) < 10
    assert made[3] == damaged(content, np.random.default_rng([1, 3]))
