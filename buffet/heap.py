"""What glibc's heaps do with memory that was freed; other systems' libraries do as they do."""

from __future__ import annotations

import ctypes
from contextlib import suppress
from functools import cache

_OTHERS = (AttributeError, OSError, TypeError)  # no such library, or no such function in it
# `mallopt`'s names and the sizes that the library settles at by itself, malloc.h and mallopt(3).
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
LARGEST_IN_HEAP = 32 << 20


def give_back() -> None:
    """Return what was freed to the system; of a pass the heaps of its threads keep 70 MB."""
    with suppress(*_OTHERS):
        ctypes.CDLL(None).malloc_trim(0)


@cache
def reuse_freed() -> None:
    """Let this process use freed memory again, whatever it was started with.

    Dask starts workers so that it goes back at once, which took arrays 1.7 times the processor
    time to be had anew; `give_back` comes after each pass.
    """
    with suppress(*_OTHERS):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(M_MMAP_THRESHOLD, LARGEST_IN_HEAP)
        mallopt(M_TRIM_THRESHOLD, 2 * LARGEST_IN_HEAP)
