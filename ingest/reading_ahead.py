"""The next block is made in a thread of its own while one is worked on."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import TypeVar

Item = TypeVar("Item")


def reading_ahead(items: Generator[Item]) -> Iterator[Item]:
    """The same items, of which one more than is asked for is made beforehand.

    What making one raises is raised here. Whoever stops early waits for the item in the making;
    the generator is closed then.
    """

    def make() -> list[Item]:
        return list(islice(items, 1))

    try:
        with ThreadPoolExecutor(1) as pool:
            waiting = pool.submit(make)
            while made := waiting.result():
                waiting = pool.submit(make)
                yield made.pop()
    finally:
        items.close()
