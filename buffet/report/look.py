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
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from buffet.errors import OutputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Text width of an A4 page with 20 mm margins.
WIDTH_IN = 6.7
INK = "#20242b"
FAINT = "#8b9099"
RULE = "#d5d8dd"
SUFFIXES = (".png", ".svg", ".pdf")
PNG_DPI = 160
_LOCK = threading.RLock()
_SETTINGS: dict[str, Any] = {
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
_COLOURS = (INK, "#b3472d", "#2b8c83", "#c8931b", "#6a4c93", "#5b7fa6")
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


def spread(positions: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move positions apart to at least `gap` within the limits, in their order, as little as able.

    Neighbours that touch are merged into one block around their common middle.
    """
    if not positions:
        return []
    order = np.argsort(positions, kind="stable")
    gap = min(gap, (high - low) / max(len(positions) - 1, 1))
    blocks: list[list[float]] = []  # middle, count
    for index in order:
        blocks.append([float(positions[index]), 1.0])
        while len(blocks) > 1 and _bottom(blocks[-1], gap) < _top(blocks[-2], gap) + gap - 1e-12:
            (m2, n2), (m1, n1) = blocks.pop(), blocks.pop()
            blocks.append([(m1 * n1 + m2 * n2) / (n1 + n2), n1 + n2])
        half = (blocks[-1][1] - 1) / 2 * gap
        blocks[-1][0] = min(max(blocks[-1][0], low + half), high - half)
    placed = [middle + (k - (n - 1) / 2) * gap for middle, n in blocks for k in range(int(n))]
    result = [0.0] * len(positions)
    for index, place in zip(order, placed, strict=True):
        result[index] = place
    return result


def _bottom(block: Sequence[float], gap: float) -> float:
    return block[0] - (block[1] - 1) / 2 * gap


def _top(block: Sequence[float], gap: float) -> float:
    return block[0] + (block[1] - 1) / 2 * gap


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
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise OutputError(
            f"{path}: a figure cannot be written as {suffix or 'a file without suffix'!s}; "
            f"wanted one of {', '.join(SUFFIXES)}"
        )
    data = BytesIO()
    nothing = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
    with drawing():
        build().savefig(data, format=suffix[1:], dpi=PNG_DPI, metadata=nothing[suffix])
    try:
        path.write_bytes(data.getvalue())
    except OSError as error:
        raise OutputError(
            f"{path}: the figure cannot be written there ({error.strerror}); "
            "name a file in a folder that you may write to"
        ) from error


def inline_svg(build: Callable[[], Figure], key: str, title: str, description: str) -> str:
    """A figure as an <svg> element with its text alternative, links and metadata left out.

    `key` makes the ids unique on a page that holds several figures.
    """
    data = BytesIO()
    with drawing():
        build().savefig(data, format="svg", metadata={"Date": None})
    return _for_page(data.getvalue().decode("utf-8"), key, title, description)


_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}(?!\d*[eE])")


def _for_page(svg: str, key: str, title: str, description: str) -> str:
    opening = re.search(r"<svg\b[^>]*>", svg)
    assert opening is not None
    view = re.search(r'viewBox="([^"]+)"', opening.group())
    assert view is not None
    body = svg[opening.end() :]
    body = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", body, flags=re.DOTALL)
    body = body.replace("xlink:href", "href")
    body = re.sub(r'\bid="', f'id="{key}-', body)
    body = re.sub(r'href="#', f'href="#{key}-', body)
    body = re.sub(r"url\(#", f"url(#{key}-", body)
    body = re.sub(r' d="[^"]+"', lambda m: _LONG_NUMBER.sub(_rounded, m.group()), body)
    head = (
        f'<svg viewBox="{view.group(1)}" role="img" aria-labelledby="{key}-title {key}-desc">'
        f'<title id="{key}-title">{escape(title)}</title>'
        f'<desc id="{key}-desc">{escape(description)}</desc>'
    )
    return head + body.strip()


def _rounded(number: re.Match[str]) -> str:
    return f"{float(number.group()):.2f}".rstrip("0").rstrip(".")
