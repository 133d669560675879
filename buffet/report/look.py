"""The look of all figures, and figures as files or as drawings inside a page.

Matplotlib keeps some settings for the whole process only, so drawing holds a lock.
"""

from __future__ import annotations

import re
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from html import escape
from io import BytesIO
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buffet.writing import write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Text width of an A4 page with 20 mm margins.
WIDTH_IN = 6.7
INK = "#20242b"
FAINT = "#8b9099"
RULE = "#d5d8dd"
MARKED = "#b3472d"  # fits, thresholds and marks on what is drawn in ink
KEY_LINE_CHARACTERS = 100  # of the key below a figure, in the width of the page
PNG_DPI = 160
# Formats, and what makes the same figure give the same bytes in each.
_DATELESS: dict[str, dict[str, Any]] = {
    ".png": {"Software": None},
    ".svg": {"Date": None},
    ".pdf": {"CreationDate": None},
}
_LOCK = threading.RLock()
_SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same picture everywhere
    "font.size": 8.5,
    "axes.titlesize": 9,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": RULE,
    "grid.linewidth": 0.5,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "svg.fonttype": "path",
    "svg.hashsalt": "buffeting",  # the same figure gives the same bytes
    "pdf.fonttype": 42,
}


class Style(NamedTuple):
    """How one configuration is drawn in every figure: told apart in grey print too."""

    colour: str
    line: Any
    marker: str
    hatch: str


# Hues that differ in lightness as well, so that colour-blind readers tell them apart.
_COLOURS = (INK, MARKED, "#2b8c83", "#c8931b", "#6a4c93", "#5b7fa6")
_LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (6, 2, 1.2, 2)), (0, (1.2, 1.6)))
_MARKERS = ("o", "s", "^", "D", "v", "P", "X")
_HATCHES = ("", "////", "....", "\\\\\\\\", "xx")


def styles(names: Sequence[str]) -> dict[str, Style]:
    """One style a name, in the order given."""
    return {
        name: Style(
            _COLOURS[i % len(_COLOURS)],
            _LINES[i % len(_LINES)],
            _MARKERS[i % len(_MARKERS)],
            _HATCHES[i % len(_HATCHES)],
        )
        for i, name in enumerate(names)
    }


def shortened(name: str, longest: int = 28) -> str:
    """A name as it fits into a figure: one line, cut where it is too long."""
    line = " ".join(name.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def new_figure(height_in: float, width_in: float = WIDTH_IN) -> Figure:
    """An empty figure that belongs to nobody's screen."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def write_key(figure: Figure, key: str, left_out: int = 0, of: str = "panels") -> None:
    """Below a figure: what its lines and marks mean, and how many more there were to draw."""
    more = f"; {left_out} more {of} not drawn" if left_out > 0 else ""
    figure.supxlabel(fill(key + more, KEY_LINE_CHARACTERS), fontsize=8)


def over_frequency(axes: Axes, frequency_hz: NDArray[np.float64]) -> None:
    """A logarithmic axis from the first frequency to the last."""
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    axes.set_xscale("log")
    axes.set_xlim(low, high if high > low else 2 * low)
    plain_numbers(axes.xaxis)
    frame_all(axes)


def frame_all(axes: Axes) -> None:
    """Ticks on all sides of a logarithmic plot, with a faint finer grid."""
    axes.grid(True, which="minor", linewidth=0.25)
    axes.tick_params(which="both", width=0.5)


def plain_numbers(axis: Any) -> None:
    """Write 0.2 and 20 on a logarithmic axis instead of powers of ten."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axis.get_view_interval()
    wide = high / low > 300
    axis.set_major_locator(LogLocator(subs=(1,) if wide else (1, 2, 5), numticks=20))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def decibels(axis: Any, reference: float) -> None:
    """Write levels on a logarithmic axis of what has 0 dB at `reference`."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = (20 * float(np.log10(end / reference)) for end in axis.get_view_interval())
    step = 5 if high - low < 40 else 10
    levels = np.arange(np.ceil(low / step) * step, high, step)
    axis.set_major_locator(FixedLocator(list(reference * 10 ** (levels / 20))))
    axis.set_major_formatter(
        FuncFormatter(lambda value, _: f"{20 * np.log10(value / reference):.0f}")
    )
    axis.set_minor_locator(NullLocator())


_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def powers_of_ten(axis: Any) -> None:
    """Write 10⁻³ on a logarithmic axis, without mathematics mode."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    def power(value: float, _: object) -> str:
        exponent = str(round(float(np.log10(value)))).translate(_SUPERSCRIPTS)
        return f"10{exponent}"

    axis.set_major_formatter(FuncFormatter(power))
    axis.set_minor_formatter(NullFormatter())


def spread(positions: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move positions apart to at least `gap` within the limits, in their order, as little as able.

    Neighbours that touch are merged into one block around their common middle.
    """
    if not positions:
        return []
    order = np.argsort(positions, kind="stable")
    gap = min(gap, (high - low) / max(len(positions) - 1, 1))
    blocks: list[_Block] = []
    for index in order:
        blocks.append(_Block(float(positions[index]), 1).within(low, high, gap))
        while len(blocks) > 1 and blocks[-1].touches(blocks[-2], gap):
            last, before = blocks.pop(), blocks.pop()
            blocks.append(before.joined(last).within(low, high, gap))
    placed = [place for block in blocks for place in block.places(gap)]
    result = [0.0] * len(positions)
    for index, place in zip(order, placed, strict=True):
        result[index] = place
    return result


class _Block(NamedTuple):
    """Neighbours one gap apart around their middle."""

    middle: float
    size: int

    def places(self, gap: float) -> list[float]:
        return [self.middle + (k - (self.size - 1) / 2) * gap for k in range(self.size)]

    def touches(self, below: _Block, gap: float) -> bool:
        return self.places(gap)[0] < below.places(gap)[-1] + gap * (1 - 1e-9)

    def joined(self, other: _Block) -> _Block:
        size = self.size + other.size
        middle = (self.middle * self.size + other.middle * other.size) / size
        return _Block(middle, size)

    def within(self, low: float, high: float, gap: float) -> _Block:
        half = (self.size - 1) / 2 * gap
        return _Block(min(max(self.middle, low + half), high - half), self.size)


@contextmanager
def drawing() -> Iterator[None]:
    """Our settings for the time of one drawing."""
    import matplotlib

    with _LOCK, matplotlib.rc_context(), warnings.catch_warnings():
        # A name in a script that the font lacks shows boxes; the text beside it has it right.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield


def save(build: Callable[[], Figure], path: Path) -> None:
    """Draw and write by suffix: .png, .svg or .pdf, without a date in it.

    Raises
    ------
    OutputError
        The suffix is another one, or the file cannot be written.
    """

    def render(to: Path) -> None:
        with drawing():
            build().savefig(to, dpi=PNG_DPI, metadata=_DATELESS[to.suffix.lower()])

    write(path, dict.fromkeys(_DATELESS, render))


def save_pages(builds: Sequence[Callable[[], Figure]], path: Path) -> None:
    """Draw one figure a page of a PDF, without a date in it.

    Raises
    ------
    OutputError
        The file cannot be written.
    """

    def render(to: Path) -> None:
        from matplotlib.backends.backend_pdf import PdfPages

        with drawing(), PdfPages(to, metadata=_DATELESS[".pdf"]) as pages:
            for build in builds:
                pages.savefig(build())

    write(path, {".pdf": render})


def inline_svg(build: Callable[[], Figure], key: str, title: str, description: str) -> str:
    """A figure as an <svg> element with its text alternative, links and metadata left out.

    `key` makes the ids unique on a page that holds several figures.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    data = BytesIO()
    with drawing():
        figure = build()
        FigureCanvasSVG(figure)  # whose texts the layout is to measure
        _lay_out(figure)
        figure.savefig(data, format="svg", metadata=_DATELESS[".svg"])
    return _for_page(data.getvalue().decode("utf-8"), key, title, description)


def _lay_out(figure: Figure) -> None:
    """Place axes for good; `savefig` would draw the whole figure for it once more, for nothing."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        figure.set_layout_engine("none")


# Matplotlib states SVG's properties as CSS, and two for all that is drawn, which would hold for the
# whole page; as attributes they are the drawing's own.
_STYLE_SHEET = re.compile(r"<defs>\s*<style[^>]*>[^<]*</style>\s*</defs>")
_STYLE = re.compile(r' style="([^"]*)"')
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}(?!\d*[eE])")


def _for_page(svg: str, key: str, title: str, description: str) -> str:
    opening = re.search(r"<svg\b[^>]*>", svg)
    assert opening is not None
    view = re.search(r'viewBox="([^"]+)"', opening.group())
    assert view is not None
    body = svg[opening.end() :]
    body = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", body, flags=re.DOTALL)
    body = _STYLE_SHEET.sub("", body)
    body = _STYLE.sub(_attributes, body)
    body = body.replace("xlink:href", "href")
    body = re.sub(r'\bid="', f'id="{key}-', body)
    body = re.sub(r'href="#', f'href="#{key}-', body)
    body = re.sub(r"url\(#", f"url(#{key}-", body)
    body = re.sub(r' d="[^"]+"', lambda m: _LONG_NUMBER.sub(_rounded, m.group()), body)
    head = (
        f'<svg viewBox="{view.group(1)}" role="img" aria-labelledby="{key}-title {key}-desc" '
        'stroke-linejoin="round" stroke-linecap="butt">'
        f'<title id="{key}-title">{escape(title)}</title>'
        f'<desc id="{key}-desc">{escape(description)}</desc>'
    )
    return head + body.strip()


def _attributes(style: re.Match[str]) -> str:
    """Declarations of a style as attributes."""
    pairs = (part.split(":", 1) for part in style.group(1).split(";") if part.strip())
    return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)


def _rounded(number: re.Match[str]) -> str:
    return f"{float(number.group()):.2f}".rstrip("0").rstrip(".")
