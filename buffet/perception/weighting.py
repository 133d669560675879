"""The frequency weightings of ISO 8041-1: how strongly vibration of a frequency is felt."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isinf, pi, sqrt
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

WeightingName = Literal["Wb", "Wc", "Wd", "We", "Wf", "Wj", "Wk", "Wm"]
WEIGHTING_NAMES: tuple[WeightingName, ...] = get_args(WeightingName)

# Both band-limiting filters are second-order Butterworth (ISO 8041-1:2017 Table 3, Q1 = Q2).
BUTTERWORTH_Q = 1 / sqrt(2)


@dataclass(frozen=True)
class WeightingParameters:
    """One row of ISO 8041-1:2017 Table 3; an infinite frequency switches its part off."""

    high_pass_hz: float  # f1
    low_pass_hz: float  # f2
    transition_zero_hz: float  # f3
    transition_pole_hz: float  # f4
    transition_pole_q: float  # Q4
    step_zero_hz: float  # f5
    step_zero_q: float  # Q5
    step_pole_hz: float  # f6
    step_pole_q: float  # Q6
    gain: float  # K


_NO_STEP = (inf, 1.0, inf, 1.0)
_WM_HIGH_PASS_HZ = 10**-0.1
_WM_TRANSITION_HZ = 1 / (0.028 * 2 * pi)  # a time constant of 28 ms

# ISO 8041-1:2017 Table 3, whole-body weightings.
WEIGHTINGS: dict[WeightingName, WeightingParameters] = {
    "Wb": WeightingParameters(0.4, 100, 16, 16, 0.55, 2.5, 0.9, 4, 0.95, 1.024),
    "Wc": WeightingParameters(0.4, 100, 8, 8, 0.63, *_NO_STEP, 1),
    "Wd": WeightingParameters(0.4, 100, 2, 2, 0.63, *_NO_STEP, 1),
    "We": WeightingParameters(0.4, 100, 1, 1, 0.63, *_NO_STEP, 1),
    "Wf": WeightingParameters(0.08, 0.63, inf, 0.25, 0.86, 0.0625, 0.80, 0.10, 0.80, 1),
    "Wj": WeightingParameters(0.4, 100, inf, inf, 1, 3.75, 0.91, 5.32, 0.91, 1),
    "Wk": WeightingParameters(0.4, 100, 12.5, 12.5, 0.63, 2.37, 0.91, 3.35, 0.91, 1),
    "Wm": WeightingParameters(
        _WM_HIGH_PASS_HZ, 100, _WM_TRANSITION_HZ, _WM_TRANSITION_HZ, 0.5, *_NO_STEP, 1
    ),
}


def weighting(name: WeightingName, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
    """Return the complex weighting of acceleration at each frequency, of the input's shape.

    Vertical seat vibration takes Wk, horizontal Wd (ISO 2631-1:1997 Table 1).

    Raises
    ------
    ValueError
        If the name is none of ISO 8041-1's whole-body weightings.

    References
    ----------
    ISO 8041-1:2017 Formulae (1) to (5) with Table 3; ISO 2631-1:1997 Annex A.
    """
    row = parameters(name)
    s = np.asarray(2j * pi * np.asarray(frequency_hz), dtype=np.complex128)
    return _band_limit(row, s) * _transition(row, s) * _upward_step(row, s)


def parameters(name: WeightingName) -> WeightingParameters:
    """Return the row of ISO 8041-1:2017 Table 3.

    Raises
    ------
    ValueError
        If the name is none of ISO 8041-1's whole-body weightings.
    """
    if name not in WEIGHTINGS:
        raise ValueError(
            f"no frequency weighting is called {name!r}; ISO 8041-1's whole-body ones are "
            f"{', '.join(WEIGHTING_NAMES)}: choose Wk for vertical, Wd for horizontal seat motion"
        )
    return WEIGHTINGS[name]


def _band_limit(row: WeightingParameters, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Formulae (1) and (2), the first multiplied through by s² so that it holds at 0 Hz."""
    high_pass_rad_s = 2 * pi * row.high_pass_hz
    high_pass = s**2 / (s**2 + high_pass_rad_s / BUTTERWORTH_Q * s + high_pass_rad_s**2)
    return high_pass / _quadratic(s, row.low_pass_hz, BUTTERWORTH_Q)


def _transition(row: WeightingParameters, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Formula (3): from acceleration to velocity above the transition frequency."""
    zero = 1 + s / (2 * pi * row.transition_zero_hz)
    return row.gain * zero / _quadratic(s, row.transition_pole_hz, row.transition_pole_q)


def _upward_step(row: WeightingParameters, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Formula (4): steeper by the ratio of its frequencies squared, unity above the step."""
    if isinf(row.step_zero_hz):
        return np.ones_like(s)
    zero = _quadratic(s, row.step_zero_hz, row.step_zero_q)
    pole = _quadratic(s, row.step_pole_hz, row.step_pole_q)
    return zero / pole * (row.step_zero_hz / row.step_pole_hz) ** 2


def _quadratic(
    s: NDArray[np.complex128], frequency_hz: float, quality: float
) -> NDArray[np.complex128]:
    scaled = s / (2 * pi * frequency_hz)
    return 1 + scaled / quality + scaled**2
