"""Answers in files of memory alone, which whoever asked maps: nothing is copied there.

Linux has them. `mmap` of the library holds a descriptor for each before Python 3.13, of which a
campaign has more than a process may have; the system's own does not.
"""

from __future__ import annotations

import ctypes
import mmap
import os
import weakref
from collections.abc import Sequence
from contextlib import suppress

from buffet.workers.parcels import Buffer

_FAILED = ctypes.c_void_p(-1).value


def written(pieces: Sequence[Buffer]) -> int | None:
    """Descriptor of a new one that holds them; None where whoever asked could not map it."""
    if not hasattr(os, "memfd_create"):
        return None
    with suppress(OSError):
        os.stat(f"/proc/{os.getppid()}/cwd")  # as it would look into ours
        descriptor = os.memfd_create("answer")
        try:
            with os.fdopen(descriptor, "wb", closefd=False) as file:
                file.writelines(pieces)
            return descriptor
        except OSError:
            os.close(descriptor)
    return None


def mapped(pid: int, descriptor: int, size: int) -> memoryview:
    """What a process has written, as memory of our own; raises OSError where it cannot be had."""
    system = ctypes.CDLL(None, use_errno=True)
    system.mmap.restype = ctypes.c_void_p
    system.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, *[ctypes.c_int] * 3, ctypes.c_long]
    system.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]
    file = os.open(f"/proc/{pid}/fd/{descriptor}", os.O_RDONLY)
    try:
        access = mmap.PROT_READ | mmap.PROT_WRITE
        address = system.mmap(None, size, access, mmap.MAP_PRIVATE, file, 0)
    finally:
        os.close(file)
    if address == _FAILED:
        raise OSError(ctypes.get_errno(), "an answer cannot be mapped")
    whole = (ctypes.c_ubyte * size).from_address(address)
    # Arrays in it may live until the interpreter ends.
    weakref.finalize(whole, system.munmap, address, size).atexit = False
    return memoryview(whole).cast("B")
