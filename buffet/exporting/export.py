"""One run's calibrated samples, in SI, streamed into a file with their units and provenance."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.documents import dumps, provenance_document
from buffet.exporting.sink import Header, Sink
from buffet.writing import Writer
from ingest import Campaign, Record, Run, open_at_taps, zeros_of

Array = NDArray[np.float64]
Progress = Callable[[str], None]

SUFFIXES = (".h5", ".parquet", ".csv", ".mat")


OpenSink = Callable[[Path, Header], AbstractContextManager[Sink]]


@dataclass(frozen=True)
class Exported:
    """What was written."""

    run: str
    n_channels: int
    n_samples: int
    sample_rate_hz: float

    def __str__(self) -> str:
        return (
            f"run {self.run}: {self.n_channels} channels, {self.n_samples:,} samples at "
            f"{self.sample_rate_hz:g} Hz"
        )


class Export:
    """Writes one run into any of the formats; the samples can be had once."""

    def __init__(
        self, campaign: Campaign, run: Run, progress: Progress, *, at_taps: bool = False
    ) -> None:
        """`at_taps`: pressures as they are at the taps, the stated tubing taken out."""
        self._campaign, self._run, self._progress = campaign, run, progress
        self._open = open_at_taps if at_taps else Run.open
        self.done: Exported | None = None  # after one of the writers has run

    def writers(self) -> Mapping[str, Writer]:
        """One writer a suffix."""
        from buffet.exporting import columnar, matlab, text

        sinks: dict[str, OpenSink] = {
            ".h5": columnar.hdf5_sink,
            ".parquet": columnar.parquet_sink,
            ".csv": text.csv_sink,
            ".mat": matlab.matlab_sink,
        }
        return {suffix: self._writer(sinks[suffix]) for suffix in SUFFIXES}

    def _writer(self, open_sink: OpenSink) -> Writer:
        return lambda path: self._write(path, open_sink)

    def _write(self, path: Path, open_sink: OpenSink) -> None:
        run = self._run
        zeros = zeros_of(self._campaign, run) if run.kind == "wind-on" else None
        record = self._open(run, zeros)
        header = Header(run.number, run.configuration, record.sample_rate_hz, record.channels)
        with open_sink(path, header) as sink:
            for block in self._told(record):
                sink.append(block)
            sink.close(provenance_text(record))
        self.done = Exported(
            run.number, len(record.channels), record.n_samples, record.sample_rate_hz
        )

    def _told(self, record: Record) -> Iterator[Array]:
        n = 0
        for block in record.blocks():
            yield block
            n += block.shape[1]
            of = f" of {record.expected_samples:,}" if record.expected_samples else ""
            self._progress(f"run {record.run.number}: {n:,}{of} samples")


def provenance_text(record: Record) -> str:
    """Run, channels, source and steps of a record that was read, as JSON on one line."""
    run = record.run
    document = {
        "format": "buffet/export",
        "version": 1,
        "run": run.number,
        "kind": run.kind,
        "configuration": run.configuration,
        "started": run.started.isoformat() if run.started else None,
        "sample_rate_hz": record.sample_rate_hz,
        "n_samples": record.n_samples,
        "channels": [
            {"name": c.name, "measures": c.measures, "unit": c.unit} for c in record.channels
        ],
        "provenance": provenance_document(record.provenance),
    }
    return json.dumps(json.loads(dumps(document)))
