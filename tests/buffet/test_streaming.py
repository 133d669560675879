"""A recording that streams by in blocks beside the same samples in memory."""

from pathlib import Path

import h5py
import numpy as np
import pytest

from buffet.one_pass import LOOKAHEAD_SAMPLES, AnalysisSettings, Keep, one_pass
from buffet.spectral.engine import SegmentEngine
from ingest import open_campaign
from tests.benchmarks.campaigns import Size, write_campaign

SIZE = Size(channels=4, duration_s=1200.0, rate_hz=1000.0)  # more than is looked ahead for


@pytest.mark.parametrize("keeps", [frozenset(), frozenset({"matrix"})])
def test_a_streamed_record_is_the_one_in_memory(tmp_path: Path, keeps: frozenset[Keep]) -> None:
    """Read, checked and calibrated block by block, or one array: to the last bit."""
    campaign = open_campaign(write_campaign(tmp_path / "campaign", SIZE))
    (run,) = campaign.runs
    with h5py.File(run.recordings[0]) as file:
        counts = file["counts"][:].T
    assert counts.size > LOOKAHEAD_SAMPLES
    streamed = one_pass(run.open(), None, AnalysisSettings(keeps=keeps), campaign.model).spectra
    engine = SegmentEngine(SIZE.channels, streamed.settings)
    engine.push(counts * np.array([[channel.scale] for channel in run.channels]))
    in_memory = engine.finish()
    for name in ("mean", "variance", "covariance", "psd", "cross", "group_psd", "group_cross"):
        np.testing.assert_array_equal(getattr(streamed, name), getattr(in_memory, name), name)
    if keeps:
        np.testing.assert_array_equal(streamed.packed, in_memory.packed)
