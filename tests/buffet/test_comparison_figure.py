"""The comparison's figure where add-ons hardly differ."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from buffet.interval import Interval
from buffet.report.look import styles
from buffet.report.rms_figures import comparison_figure
from tests.buffet.report_campaign import comparison


@pytest.mark.parametrize("size", [2e-5, 0.001, 0.02, 0.4])
def test_labels_below_do_not_touch(size: float) -> None:
    """Coefficients that differ by little need long numbers, as -0.0005."""
    compared = comparison()
    small = Interval(0.15 * size, -size, 1.6 * size)
    alike = [replace(one, delta_drag=small, delta_front_lift=small) for one in compared.add_ons]
    alike = [replace(one, delta_rear_lift=None) for one in alike]
    names = [compared.baseline.name, *(one.name for one in alike)]

    figure = comparison_figure(replace(compared, add_ons=tuple(alike)), styles(names))
    figure.draw_without_rendering()

    for axes in figure.axes:
        low, high = axes.get_xlim()
        shown = [t for t in axes.get_xticklabels() if low <= t.get_position()[0] <= high]
        boxes = [label.get_window_extent() for label in shown]
        assert len(boxes) >= 2
        assert all(left.x1 < right.x0 for left, right in pairwise(boxes))
