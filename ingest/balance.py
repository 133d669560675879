"""A balance calibrated as a whole: readings of all its bridges to loads, interactions included.

AIAA R-091-2003, Calibration and Use of Internal Strain-Gage Balances with Application to Wind
Tunnel Testing, gives the terms and the load iteration (its equation 3.3.7). With h the terms,

    iterative:  r = C1 F + C2 h(F),  solved by  F_k+1 = C1⁻¹ (r - C2 h(F_k))
    direct:     F = C r + D h(r)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Form = Literal["iterative", "direct"]
# R-091's terms: of six components 24 of one input with F² and F|F|, 60 of two inputs and 12 third
# powers, 96 in all. F² is FG and F|F| is F|G| with the same input twice.
TermKind = Literal["F", "|F|", "FG", "|FG|", "F|G|", "|F|G", "F3", "|F3|"]
TERM_KINDS: tuple[TermKind, ...] = get_args(TermKind)
_VALUE: dict[TermKind, Callable[..., Array]] = {
    "F": lambda f: f,
    "|F|": np.abs,
    "FG": lambda f, g: f * g,
    "|FG|": lambda f, g: np.abs(f * g),
    "F|G|": lambda f, g: f * np.abs(g),
    "|F|G": lambda f, g: np.abs(f) * g,
    "F3": lambda f: f * f * f,
    "|F3|": lambda f: np.abs(f * f * f),
}
# Each step gains the interactions' share: one digit where they are a tenth. Balances need fewer
# than twenty; what has not settled after these never will (engineering judgement).
MOST_ITERATIONS = 100
# A bridge that stands still counts as missing to a load of which it makes this share at full-scale
# loads; a smaller part is an interaction that a true load survives (engineering judgement).
NEEDED_SHARE = 0.01


def inputs_of(kind: TermKind) -> int:
    """How many inputs a kind of term has."""
    return 2 if "G" in kind else 1


@dataclass(frozen=True)
class Term:
    """One term that is not linear, of one or two inputs by their positions."""

    kind: TermKind
    inputs: tuple[int, ...]

    def of(self, values: Array) -> Array:
        """The term of values ``(n_inputs, ...)``, ``(...)``."""
        return _VALUE[self.kind](*(values[i] for i in self.inputs))


class NotSettledError(Exception):
    """The load iteration does not come to rest at one of the samples."""

    def __init__(self, sample: int) -> None:
        super().__init__(sample)
        self.sample = sample  # index of the first one


@dataclass(frozen=True, eq=False)
class Balance:
    """What a balance file states, in SI: N and N m, bridges in `bridge_unit`."""

    source: str  # the file as the sheets name it
    sha256: str  # hex, of the bytes on disk
    form: Form
    bridges: tuple[str, ...]  # channel names
    bridge_unit: str  # SI unit of the readings, "V" or "1"
    loads: tuple[str, ...]  # `measures` words
    matrix: Array  # (n_outputs, n_inputs); iterative: of bridges by loads
    terms: tuple[Term, ...]
    coefficients: Array  # (n_outputs, n_terms)
    residual: float  # largest change of a load over its full scale at which the iteration rests
    envelope: Array  # (n_loads, 2), the calibrated range; nan where it is not stated
    transfer: Array  # (n_loads, n_loads), from the reference point to the vehicle's origin
    standard_uncertainty: tuple[float | None, ...]  # k = 1, about the vehicle's origin
    natural_frequency_hz: tuple[float | None, ...]
    damping: tuple[float | None, ...]

    @cached_property
    def full_scale(self) -> Array:
        """Largest calibrated load, ``(n_loads,)``; nan where no envelope is stated."""
        return np.asarray(np.abs(self.envelope).max(axis=1))

    @cached_property
    def linear(self) -> Array:
        """The linear part from bridges to loads, ``(n_loads, n_bridges)``."""
        return np.asarray(np.linalg.inv(self.matrix)) if self.form == "iterative" else self.matrix

    @cached_property
    def sensitivity(self) -> Array:
        """The linear part from loads to bridges, ``(n_bridges, n_loads)``."""
        return self.matrix if self.form == "iterative" else np.asarray(np.linalg.pinv(self.matrix))

    @cached_property
    def full_reading(self) -> Array:
        """Each bridge's largest reading under one full-scale load, ``(n_bridges,)``; may be nan."""
        return np.asarray((np.abs(self.sensitivity) * self.full_scale).max(axis=1))

    def needed_bridges(self, load: int) -> tuple[str, ...]:
        """Bridges that a load about the vehicle's origin rests on."""
        shares = np.abs(self.linear) * self.full_reading / self.full_scale[:, None]
        least = np.minimum(NEEDED_SHARE, shares.max(axis=1, keepdims=True))  # at least one
        needed = (shares >= least) | (np.isnan(shares) & (self.linear != 0.0))
        wanted = needed[self.transfer[load] != 0.0].any(axis=0)
        return tuple(name for name, used in zip(self.bridges, wanted, strict=True) if used)

    def solve(self, readings: Array) -> tuple[Array, int]:
        """Loads about the balance's own reference point, and the iterations they took.

        Parameters
        ----------
        readings : ``(n_bridges, n)`` in `bridge_unit`, zero removed

        Returns
        -------
        loads : ``(n_loads, n)`` in N and N m

        Raises
        ------
        NotSettledError
            The iteration does not come to rest within `MOST_ITERATIONS`.
        """
        linear = self.linear @ readings
        if not self.terms or linear.size == 0:
            return linear, 0
        if self.form == "direct":
            return linear + self.coefficients @ term_values(self.terms, readings), 0
        correction = self.linear @ self.coefficients
        scale = self._scale(readings)
        loads, rests = linear, np.zeros(0, bool)
        with np.errstate(over="ignore", invalid="ignore"):  # on its way to infinity
            for iteration in range(1, MOST_ITERATIONS + 1):
                better = linear - correction @ term_values(self.terms, loads)
                rests = np.all(np.abs(better - loads) <= self.residual * scale, axis=0)
                loads = better
                if rests.all():
                    return loads, iteration
        raise NotSettledError(int(np.argmin(rests)))

    def _scale(self, readings: Array) -> Array:
        """What a load's change is compared with, ``(n_loads, 1)``.

        Its full scale; where none is stated, the most that the bridges' linear parts add up to in
        these readings.
        """
        added = (np.abs(self.linear) @ np.abs(readings)).max(axis=1)
        scale = np.where(np.isnan(self.full_scale), added, self.full_scale)
        return np.asarray(scale[:, None])


def term_values(terms: Sequence[Term], values: Array) -> Array:
    """Each term of values ``(n_inputs, n)``, ``(n_terms, n)``."""
    return np.stack([term.of(values) for term in terms])
