"""Lengths of segments: enough segments, and enough bins in each."""

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
