"""Lengths of segments: enough segments, and enough bins in each."""

import pytest

from buffet.errors import TooFewSamplesError
from buffet.spectral.resolution import segment_samples


def test_a_long_record_is_cut_into_sixty() -> None:
    """Sixty half-overlapping segments cover 30.5 segment lengths."""
    count = 2 * 36_000 / segment_samples(10.0, 3600.0, None) - 1
    assert 58 <= count < 61  # the length is rounded to one that is quick to transform


def test_a_short_record_keeps_bins_for_a_peak() -> None:
    """Three hundred yearly values: segments of 64, not of 8 in which an 11-year cycle is lost."""
    assert segment_samples(1.0, 300.0, None) == 64


def test_a_very_short_record_still_has_three_segments() -> None:
    """A hundred samples cannot be cut into segments of 64."""
    assert segment_samples(1.0, 100.0, None) == 50


def test_hardly_any_samples_say_so() -> None:
    """Three samples: what there is and what is wanted, without a resolution nobody asked for."""
    with pytest.raises(TooFewSamplesError, match=r"has 3 samples, .* needs 16"):
        segment_samples(1000.0, 0.003, None)
