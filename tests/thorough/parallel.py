"""Long simulations cut into pieces and spread over the machine's cores."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

K = TypeVar("K")
R = TypeVar("R")

PIECE = 250  # campaigns


def in_pieces(
    simulate: Callable[[K, int, int], R], kinds: Sequence[K], n: int, most: int = PIECE
) -> Iterator[tuple[K, list[R]]]:
    """Each kind with the results of its pieces, in order; `simulate(kind, n, seed)`.

    A piece simulates at most `most`.
    """
    sizes = [min(most, n - start) for start in range(0, n, most)]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        waiting = [
            (kind, [pool.submit(simulate, kind, size, seed) for seed, size in enumerate(sizes)])
            for kind in kinds
        ]
        for position, (kind, pieces) in enumerate(waiting, 1):
            yield kind, [piece.result() for piece in pieces]
            print(f"{position} of {len(kinds)} kinds done", file=sys.stderr, flush=True)
