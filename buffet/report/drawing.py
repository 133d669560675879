"""Figures as files of their own: PNG, SVG or PDF by suffix."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from buffet.cabin.open_cabin import OpenCabinFigures
from buffet.comparing import Comparison
from buffet.errors import OutputError
from buffet.rating.rate import Rating
from buffet.report.car_figure import car_figure
from buffet.report.crossing_figure import crossing_figure
from buffet.report.figures import configuration_styles
from buffet.report.look import save, save_pages
from buffet.report.resonance_figures import resonance_figure
from buffet.report.rms_figures import comparison_figure
from buffet.report.speed_figure import decisive_criteria, speed_figure
from buffet.report.sweep_figure import sweep_figure
from buffet.report.trade_figure import trade_figure
from buffet.resonance.result import RunResonance
from buffet.sweep.sweep import Sweep
from buffet.vehicle import CarSummary

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def draw_figures(builds: Sequence[Callable[[], Figure]], path: Path) -> None:
    """Draw one figure, or, into a PDF, one a page.

    Raises
    ------
    OutputError
        There are several for a file that holds one, the suffix is none of .png, .svg, .pdf, or the
        file cannot be written.
    """
    if len(builds) == 1:
        save(builds[0], path)
    elif path.suffix.lower() == ".pdf":
        save_pages(builds, path)
    else:
        raise OutputError(
            f"{path.suffix} holds one picture and {len(builds)} were asked for: ask for one, "
            "or write .pdf"
        )


def draw_car(summary: CarSummary, path: Path, cabin: OpenCabinFigures | None = None) -> None:
    """Draw a car's responses to the force at one road speed, and its open cabin.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    save(lambda: car_figure(summary, cabin), path)


def draw_resonance(runs: Sequence[RunResonance], path: Path) -> None:
    """Draw each channel's decay or spectrum with what was fitted to it.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    save(lambda: resonance_figure(runs), path)


def draw_rating(rating: Rating, words: Sequence[str], path: Path) -> None:
    """Draw a rating: "speed", criteria over road speed; "crossings", peaks and modes over it.

    Raises
    ------
    OutputError
        Both are asked for and the file is no PDF, the suffix is none of .png, .svg, .pdf, or the
        file cannot be written.
    """
    builds = {
        "speed": lambda: speed_figure(
            rating, decisive_criteria(rating), configuration_styles(rating)
        ),
        "crossings": lambda: crossing_figure(rating),
    }
    draw_figures([builds[word] for word in dict.fromkeys(words)], path)


def draw_sweep(sweep: Sweep, path: Path) -> None:
    """Draw every configuration's peaks over wind speed, and RMS over Reynolds number.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    save(lambda: sweep_figure(sweep), path)


def draw_comparison(comparison: Comparison, words: Sequence[str], path: Path) -> None:
    """Draw a comparison: "changes" against the baseline; "trade", what is felt against its cost.

    Raises
    ------
    OutputError
        Both are asked for and the file is no PDF, the suffix is none of .png, .svg, .pdf, or the
        file cannot be written.
    """
    look = configuration_styles(comparison.rating)
    builds = {
        "changes": lambda: comparison_figure(comparison, look),
        "trade": lambda: trade_figure(comparison, look),
    }
    draw_figures([builds[word] for word in dict.fromkeys(words)], path)
