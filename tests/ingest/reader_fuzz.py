"""Damaged recordings: a reader gives samples or a RecordingError, in bounded time and memory.

`fuzz_reader(make_valid, cases, seed)` damages a valid file `cases` times in one child process and
raises AssertionError, with the traceback and the damaged file's path, where anything else came
of it. `make_valid` writes a small valid file into a folder and gives its path; it stands in a
module, by its own name, so that the child finds it. `pack` makes the file of the damaged bytes:
an archive whose check sums are right, say, so that the damage gets past them.
"""

from __future__ import annotations

import faulthandler
import json
import os
import resource
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib import import_module
from pathlib import Path

import numpy as np

from ingest.errors import RecordingError
from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions
from tests.ingest import fuzz_files, fuzz_library_files

ROOT = Path(__file__).parents[2]
# What a reader may take for one file, and what is a hang.
MEMORY_BYTES, MEMORY_SIZES, CASE_S = 200_000_000, 2, 20
# Formats keep their headers and directories at the ends: half of the damage is done there.
EDGE_BYTES = 512
# Counts and sizes that tempt a reader.
WORDS = (0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFF0, 0xFFFFFFFF)

Pack = Callable[[bytes], bytes]


@dataclass(frozen=True)
class Tally:
    """What came of the damaged files."""

    read: int
    refused: int


@dataclass(frozen=True)
class Format:
    """A format to damage."""

    name: str
    make_valid: Callable[[Path], Path]
    pack: Pack = fuzz_files.unpacked


FORMATS = [
    Format("text", fuzz_files.text),
    Format("text, one channel a row", fuzz_files.wide_text),
    Format("text in gzip", fuzz_files.text_in_gzip),
    Format("text in zip", fuzz_files.text, fuzz_files.zipped),
    Format("npy", fuzz_files.npy),
    Format("npy, structured", fuzz_files.structured_npy),
    Format("npz", fuzz_files.npz),
    Format("npy in npz", fuzz_files.fortran_npy, fuzz_files.in_npz),
    Format("npy deflated in npz", fuzz_files.fortran_npy, fuzz_files.deflated_in_npz),
    Format("wav", fuzz_files.wav),
    Format("mat 5", fuzz_files.mat),
    Format("mat 5, compressed", fuzz_files.compressed_mat),
    Format("mat 5, deflated array", fuzz_files.mat_of_one, fuzz_files.deflated_mat),
    Format("mat 4", fuzz_files.mat4),
    Format("HDF5", fuzz_library_files.hdf5),
    Format("HDF5 table", fuzz_library_files.hdf5_table),
    Format("MATLAB 7.3", fuzz_library_files.matlab_73),
    Format("Parquet", fuzz_library_files.parquet),
    Format("Feather", fuzz_library_files.feather),
    Format("Arrow stream", fuzz_library_files.arrow_stream),
    Format("MDF 4", fuzz_library_files.mdf4),
    Format("MDF 4, packed", fuzz_library_files.mdf4_packed),
]


def fuzz_reader(
    make_valid: Callable[[Path], Path],
    cases: int,
    seed: int,
    pack: Pack = fuzz_files.unpacked,
) -> Tally:
    """Damage a valid file `cases` times; AssertionError where it was neither read nor refused."""
    names = [f"{function.__module__}:{function.__qualname__}" for function in (make_valid, pack)]
    folder = Path(tempfile.mkdtemp(prefix="fuzz"))
    done = subprocess.run(
        [sys.executable, "-m", "tests.ingest.reader_fuzz", *names, str(cases), str(seed), folder],
        cwd=ROOT,
        capture_output=True,
        text=True,
        # An arena of memory for each thread would count against the limit unused.
        env={**os.environ, "MALLOC_ARENA_MAX": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    kept = sorted(folder.iterdir())
    assert done.returncode == 0, f"{names[0]}, kept as {kept}:\n{done.stderr[-4000:]}"
    for path in kept:
        path.unlink()
    folder.rmdir()
    return Tally(**json.loads(done.stdout))


def damaged(content: bytes, rng: np.random.Generator) -> bytes:
    """Bits flipped, words written over, pieces cut out, doubled or cut off."""
    data = bytearray(content)
    for _ in range(rng.integers(1, 4)):
        place = _place(len(data), rng)
        piece = slice(place, place + int(rng.integers(1, 64)))
        match rng.integers(8):
            case 0:
                del data[place:]
            case 1:
                del data[piece]
            case 2:
                data[place:place] = data[piece]
            case 3:
                data[piece] = rng.bytes(len(data[piece]))
            case 4 | 5:
                word = int(rng.choice(WORDS)).to_bytes(4, rng.choice(["little", "big"]))
                data[place // 4 * 4 : place // 4 * 4 + 4] = word
            case _:
                for _ in range(rng.integers(1, 4)):
                    if data:
                        data[_place(len(data), rng)] ^= 1 << int(rng.integers(8))
    return bytes(data)


def _place(size: int, rng: np.random.Generator) -> int:
    edge = min(EDGE_BYTES, size)
    match rng.integers(4):
        case 0:
            return int(rng.integers(edge + 1)) if edge < size else int(rng.integers(max(size, 1)))
        case 1:
            return size - edge + int(rng.integers(max(edge, 1)))
        case _:
            return int(rng.integers(max(size, 1)))


def _read(path: Path) -> bool:
    """Whether the file was read, all columns of it; False where it was refused with advice."""
    try:
        recording = open_recording(path, FileOptions(), ClockOptions(rate_hz=1000.0))
        for block in recording.blocks(range(len(recording.columns))):
            assert block.samples.ndim == 2
            assert not np.isinf(block.samples).any()
    except RecordingError as error:
        if not (error.problem and error.advice):
            raise AssertionError(f"the message helps no one: {error}") from error
        return False
    return True


def _limit_memory(path: Path) -> None:
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limit = used + MEMORY_SIZES * path.stat().st_size + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def _fuzz(make_valid: Callable[[Path], Path], pack: Pack, cases: int, seed: int, to: Path) -> Tally:
    path = make_valid(to)
    content = path.read_bytes()
    path.write_bytes(pack(content))
    assert _read(path), "the valid file was refused"
    _limit_memory(path)
    tally = [0, 0]
    for case in range(cases):
        path.write_bytes(pack(damaged(content, np.random.default_rng([seed, case]))))
        faulthandler.dump_traceback_later(CASE_S, exit=True)
        try:
            tally[_read(path)] += 1
        except BaseException as error:
            error.add_note(f"case {case} of seed {seed}")
            raise
        faulthandler.cancel_dump_traceback_later()
    path.unlink()
    return Tally(read=tally[True], refused=tally[False])


def main(arguments: list[str]) -> None:
    """The child: MODULE:FUNCTION of make_valid and pack, cases, seed, folder."""
    found = []
    for name in arguments[:2]:
        module, function = name.split(":")
        found.append(getattr(import_module(module), function))
    cases, seed = map(int, arguments[2:4])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        tally = _fuzz(found[0], found[1], cases, seed, Path(arguments[4]))
    print(json.dumps(asdict(tally)))


if __name__ == "__main__":
    main(sys.argv[1:])
