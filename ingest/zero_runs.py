"""The wind-off zeros of one run, read from the recordings its sheet names."""

from __future__ import annotations

from ingest.campaign import Campaign
from ingest.record import Run
from ingest.zeros import ZeroReading


def zeros_of(campaign: Campaign, run: Run) -> dict[str, ZeroReading]:
    """Readings of the wind-off runs that a run names, by their numbers; each is read whole.

    Raises RecordingError where one of them is damaged.
    """
    return {number: _reading(campaign.run(number)) for number in run.zero_runs}


def _reading(run: Run) -> ZeroReading:
    record = run.open()
    for _ in record.blocks():
        pass
    return record.zero_reading()
