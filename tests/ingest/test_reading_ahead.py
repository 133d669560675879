"""Blocks made beforehand: one at most, in order, and no thread that outlives them."""

import threading
from collections.abc import Generator

import pytest

from ingest.reading_ahead import reading_ahead


def counted(made: list[int], n: int) -> Generator[int]:
    """Numbers from zero on, each noted when it is made."""
    for number in range(n):
        made.append(number)
        yield number


def test_items_come_in_order_and_one_ahead() -> None:
    """Whoever works on an item finds that one more has been made, or is being made, at most."""
    made: list[int] = []

    for number in reading_ahead(counted(made, 20)):
        assert made[: number + 1] == list(range(number + 1))
        assert len(made) <= number + 2

    assert made == list(range(20))


def test_the_next_item_is_made_while_one_is_worked_on() -> None:
    """Whoever works on the first may wait for the second: nobody has to ask for it."""
    is_made = threading.Event()

    def two() -> Generator[int]:
        yield 0
        is_made.set()
        yield 1

    items = reading_ahead(two())

    assert next(items) == 0
    assert is_made.wait(20.0)
    assert list(items) == [1]


def test_what_the_maker_raises_comes_after_what_it_made() -> None:
    """As without a thread."""

    def breaking() -> Generator[int]:
        yield 1
        raise ValueError("the disk is gone")

    items = reading_ahead(breaking())

    assert next(items) == 1
    with pytest.raises(ValueError, match="the disk is gone"):
        next(items)


def test_stopping_early_ends_thread_and_maker() -> None:
    """Nothing is read on for nobody."""
    before, closed = set(threading.enumerate()), []

    def endless() -> Generator[int]:
        try:
            while True:
                yield 1
        finally:
            closed.append(True)

    for _ in reading_ahead(endless()):
        break

    assert closed == [True]
    assert set(threading.enumerate()) == before
