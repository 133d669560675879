"""Numbers, intervals and probabilities as the report writes them."""

from __future__ import annotations

import pytest

from buffet.interval import Interval
from buffet.report.wording import probability, significant, spanned


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (0.02345, "0.0234"),
        (-1.5, "−1.50"),
        (123456.0, "123000"),
        (float("inf"), "–"),
    ],
)
def test_significant_digits(value: float, text: str) -> None:
    """Three digits, a true minus, no infinity."""
    assert significant(value) == text


def test_open_ends_are_written_as_such() -> None:
    """An interval without an upper end shows an ellipsis."""
    assert spanned(Interval(2.0, 1.0, None), ".1f", 3.6) == "7.2 (3.6 to …)"


@pytest.mark.parametrize(
    ("value", "text"), [(0.001, "< 1 %"), (0.999, "> 99 %"), (0.5, "50 %"), (None, "–")]
)
def test_probabilities_never_claim_certainty(value: float | None, text: str) -> None:
    """No 0 % and no 100 %."""
    assert probability(value) == text
