"""Loading tables of planted balances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.calibrating.loadings import LoadingTable, read_loadings
from tests.ingest.balances import SIX_LOADS, UNITS, outputs_by_hand

Array = NDArray[np.float64]

FULL_SCALE = np.array([200.0, 150.0, 500.0, 40.0, 60.0, 30.0])
NOISE = 2e-4  # of a bridge's full reading of 1 mV/V


@dataclass(frozen=True)
class Planted:
    """A balance of the first loads of six, and loadings of it."""

    loads: Array  # (n, n_loads)
    readings: Array  # (n, n_bridges) in mV/V, with zeros and noise
    matrix: Array  # (n_bridges, n_loads)
    terms: tuple[dict[str, Any], ...]
    zeros: Array  # (n_series, n_bridges)
    series: NDArray[np.intp]

    @property
    def load_names(self) -> tuple[str, ...]:
        """Of the columns."""
        return SIX_LOADS[: self.loads.shape[1]]

    @property
    def bridge_names(self) -> tuple[str, ...]:
        """Of the columns."""
        return tuple(f"b{i + 1}" for i in range(self.readings.shape[1]))

    def text(self, delimiter: str = ",", decimal: str = ".") -> str:
        """As delimited text."""
        header = [f"{load} ({UNITS.get(load, 'N m')})" for load in self.load_names]
        header += [f"{bridge} [mV/V]" for bridge in self.bridge_names]
        lines = [delimiter.join(["series", *header])]
        for number, loads, readings in zip(self.series, self.loads, self.readings, strict=True):
            cells = [repr(float(x)).replace(".", decimal) for x in (*loads, *readings)]
            lines.append(delimiter.join([f"s{number}", *cells]))
        return "\n".join(lines) + "\n"

    def write(self, folder: Path, name: str = "loads.csv") -> Path:
        """Write the table."""
        (folder / name).write_text(self.text(), encoding="utf-8")
        return folder / name

    def table(self, folder: Path) -> LoadingTable:
        """The table as read."""
        return read_loadings(self.write(folder))


def planted(
    seed: int,
    n: int = 120,
    n_loads: int = 6,
    noise: float = NOISE,
    terms: Sequence[dict[str, Any]] = (),
    n_series: int = 2,
) -> Planted:
    """Loads spread evenly; interactions up to 5 % of a bridge's full reading of about 1 mV/V."""
    rng = np.random.default_rng(seed)
    full = FULL_SCALE[:n_loads]
    loads = rng.uniform(-1, 1, (n, n_loads)) * full
    matrix = (np.eye(n_loads) + rng.uniform(-0.05, 0.05, (n_loads, n_loads))) / full
    bridges = [f"b{i + 1}" for i in range(n_loads)]
    series = np.sort(rng.permutation(n) % n_series).astype(np.intp)
    zeros = rng.uniform(-0.1, 0.1, (n_series, n_loads))
    clean = outputs_by_hand(matrix, terms, loads.T, bridges, SIX_LOADS[:n_loads]).T
    readings = clean + zeros[series] + noise * rng.standard_normal(clean.shape)
    return Planted(loads, readings, matrix, tuple(terms), zeros, series)
