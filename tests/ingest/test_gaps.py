"""Gaps are filled by straight lines wherever the block borders fall."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest import gaps
from ingest.gaps import EndlessLeadingGapError, GapFiller

NAN = np.nan


def filled(samples: NDArray[np.float64], borders: list[int]) -> NDArray[np.float64]:
    """Push samples (n_channels, n) cut at the borders, and join what comes out."""
    filler = GapFiller(samples.shape[0])
    given = [
        part
        for block in np.split(samples.copy(), borders, axis=1)
        for part in filler.push(block, is_whole=not np.isnan(block).any())
    ]
    return np.concatenate([*given, *filler.finish()], axis=1)


@given(
    st.integers(1, 40).flatmap(
        lambda n: st.tuples(
            st.lists(st.lists(st.booleans(), min_size=n, max_size=n), min_size=2, max_size=2),
            st.lists(st.integers(1, n), max_size=5, unique=True).map(sorted),
        )
    )
)
def test_borders_do_not_matter(case: tuple[list[list[bool]], list[int]]) -> None:
    """A straight line with holes comes back whole, wherever the stream was cut.

    A planted line is known everywhere between its first and its last sample; outside, the
    nearest sample is held.
    """
    present, borders = np.array(case[0]), case[1]
    present[:, len(present[0]) // 2] = True
    line = 3.0 * np.arange(present.shape[1]) - 7.0
    samples = np.where(present, line, NAN)

    for channel, row in zip(present, filled(samples, borders), strict=True):
        first, last = np.flatnonzero(channel)[[0, -1]]
        np.testing.assert_allclose(row, np.clip(line, line[first], line[last]), atol=1e-9)


def test_gaps_across_borders_by_hand() -> None:
    """Gap over two borders; leading and trailing gaps hold the nearest sample."""
    samples = np.array([[NAN, 1.0, NAN, NAN, NAN, 5.0, NAN], [0.0, 0, 0, 0, 0, 0, 0]])

    result = filled(samples, [3, 4])

    assert list(result[0]) == [1.0, 1.0, 2.0, 3.0, 4.0, 5.0, 5.0]


def test_filled_samples_are_counted_by_channel() -> None:
    """A sample held back over a border is counted once."""
    filler = GapFiller(2)
    for block in np.split(np.array([[1.0, NAN, NAN, 2.0], [NAN, 1.0, 1.0, 1.0]]), 4, axis=1):
        list(filler.push(block))
    list(filler.finish())

    assert list(filler.filled) == [2, 1]


def test_blocks_without_gaps_are_not_held_back() -> None:
    """Memory stays at one block where nothing is missing."""
    filler = GapFiller(1)
    block = np.arange(5.0)[None, :]

    assert [part.shape for part in filler.push(block)] == [(1, 5)]
    assert list(filler.finish()) == []


def test_an_endless_gap_holds_its_last_value(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the longest wait the stream moves on with the last sample."""
    monkeypatch.setattr(gaps, "LONGEST_WAIT", 3)
    filler = GapFiller(1)

    given = [list(part[0]) for part in filler.push(np.array([[1.0, NAN, NAN, NAN, NAN]]))]

    assert given == [[1.0, 1.0, 1.0, 1.0, 1.0]]


@pytest.mark.parametrize("wait", [3, 100])
def test_a_channel_without_samples_is_named(monkeypatch: pytest.MonkeyPatch, wait: int) -> None:
    """Nothing to start from, within the longest wait or at the end: the channel is at fault."""
    monkeypatch.setattr(gaps, "LONGEST_WAIT", wait)

    with pytest.raises(EndlessLeadingGapError) as caught:
        filled(np.array([[1.0] * 5, [NAN] * 5]), [])

    assert caught.value.channel == 1
