"""Results that turn into a table and draw themselves.

A result knows nothing of what formats it: the module is named here and loaded when it is asked for,
as the front page does, so that imports go on to point one way.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from pandas import DataFrame


class Shown:
    """A result with a table of plain values and a picture."""

    def frame(self) -> DataFrame:
        """The result as a table, its columns in SI with the unit in their names.

        What was not measured is missing there; reasons are in the result itself.
        """
        table: DataFrame = import_module("buffet.frames").frame(self)
        return table

    def plot(self, axes: Axes | None = None, **options: Any) -> Axes:
        """Draw the result on matplotlib axes, given or made by pyplot, and give them back.

        Options are those of the result's function in `buffet.report.plots`.
        """
        drawn: Axes = import_module("buffet.report.plots").plot(self, axes, **options)
        return drawn
