"""The report for a client: one HTML file, and figures as files; it computes no result."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from buffet.report.drawing import draw_car as draw_car
    from buffet.report.drawing import draw_comparison as draw_comparison
    from buffet.report.drawing import draw_figures as draw_figures
    from buffet.report.drawing import draw_rating as draw_rating
    from buffet.report.drawing import draw_resonance as draw_resonance
    from buffet.report.drawing import draw_sweep as draw_sweep
    from buffet.report.page import report_html as report_html
    from buffet.report.spectrum_figures import run_figure as run_figure

# Where each name lives; nothing is loaded before it is asked for.
_HOME = {
    "draw_car": "drawing",
    "draw_comparison": "drawing",
    "draw_figures": "drawing",
    "draw_rating": "drawing",
    "draw_resonance": "drawing",
    "draw_sweep": "drawing",
    "report_html": "page",
    "run_figure": "spectrum_figures",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load the module that holds a name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
