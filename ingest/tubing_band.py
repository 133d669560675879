"""How far the response of a tubing can be taken out, and how long one may be to reach further."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ingest.measured_response import MeasuredResponse
from ingest.tubing import Gas, Tube, tubes_response

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Tubing = tuple[Tube, ...] | MeasuredResponse

# A response without zeros changes over tens of hertz: it is looked at each hertz, and at this many
# frequencies at least.
FEWEST_STEPS = 1024
SHORTEST_SHARE = 0.01  # of a tubing's length; nobody shortens one further
HALVINGS = 20  # of the range of lengths: to a millionth of the tubing's own


def sensor_over_tap(frequency_hz: Array, tubing: Tubing, gas: Gas | None) -> Complex | None:
    """Complex response of a tubing, shape ``(n,)``; None without the gas that a model needs."""
    if isinstance(tubing, MeasuredResponse):
        return tubing.at(frequency_hz)
    return None if gas is None else tubes_response(frequency_hz, tubing, gas)


@lru_cache(maxsize=512)  # one tap's limit is asked for with every quantity that uses it
def corrected_to_hz(tubing: Tubing, gas: Gas | None, largest: float, up_to_hz: float) -> float:
    """Where 1 / |H| first exceeds `largest`, or a measured response ends; else `up_to_hz`."""
    if isinstance(tubing, MeasuredResponse):
        up_to_hz = min(up_to_hz, tubing.last_hz)
    frequency_hz = np.linspace(0, up_to_hz, max(FEWEST_STEPS, math.ceil(up_to_hz)) + 1)
    response = sensor_over_tap(frequency_hz, tubing, gas)
    if response is None:
        return up_to_hz
    size = np.abs(response)
    over = np.flatnonzero(size < 1 / largest)
    if not over.size:
        return up_to_hz
    pair = slice(over[0] - 1, over[0] + 1)
    return float(np.interp(-1 / largest, -size[pair], frequency_hz[pair]))


def longest_tubing_m(
    pieces: tuple[Tube, ...], gas: Gas, largest: float, to_hz: float
) -> float | None:
    """Total length at which these bores and volumes can be corrected to a frequency.

    All pieces are shortened alike. None where no length will do.
    """

    def reaches(share: float) -> bool:
        shorter = tuple(replace(tube, length_m=share * tube.length_m) for tube in pieces)
        return corrected_to_hz.__wrapped__(shorter, gas, largest, to_hz) >= to_hz

    low, high = SHORTEST_SHARE, 1.0
    if not reaches(low):
        return None
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if reaches(middle) else (low, middle)
    return low * sum(tube.length_m for tube in pieces)
