"""What every format of an export takes: a header, blocks of samples, the provenance at the end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ingest import Channel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Header:
    """What is known before the first sample."""

    run: str
    configuration: str | None
    sample_rate_hz: float
    channels: tuple[Channel, ...]


class Sink(Protocol):
    """A file that takes samples block by block."""

    def append(self, samples: Array) -> None:
        """Take the next samples, (n_channels, n)."""

    def close(self, provenance: str) -> None:
        """Write what is known only now, as JSON text, and finish the file."""
