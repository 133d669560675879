"""Numbers and verdicts as the page writes them."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from buffet.interval import Interval
from buffet.rating.criteria import WORST_FIRST, Verdict

NONE = "–"


class Mark(NamedTuple):
    """A verdict told by word, shape and frame, so that grey print and every eye can tell it."""

    word: Verdict
    shape: str
    css: str

    @property
    def rank(self) -> int:
        """Its place from the worst on, by which tables sort."""
        return WORST_FIRST.index(self.word)


MARKS: dict[Verdict, Mark] = {
    "likely": Mark("likely", "▲▲", "likely"),
    "possible": Mark("possible", "▲", "possible"),
    "unlikely": Mark("unlikely", "○", "unlikely"),
    "undetermined": Mark("undetermined", "?", "undetermined"),
}


def km_h(speed_m_s: float) -> str:
    """A speed in km/h without its unit."""
    return f"{speed_m_s * 3.6:.0f}"


def significant(value: float, digits: int = 3) -> str:
    """A value with so many significant digits, never in powers of ten below a million."""
    if not math.isfinite(value):
        return NONE
    if value == 0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    if abs(value) >= 1e6 or decimals > 6:
        return f"{value:.{digits - 1}e}"
    return f"{round(value, decimals):.{max(decimals, 0)}f}".replace("-", "−")


def spanned(interval: Interval | None, form: str | None = None, factor: float = 1.0) -> str:
    """Value (low to high); an open end is an ellipsis."""
    if interval is None:
        return NONE
    value, low, high = (
        "…" if number is None or not math.isfinite(number) else _number(number * factor, form)
        for number in (interval.value, interval.low, interval.high)
    )
    return f"{value} ({low} to {high})"


def _number(value: float, form: str | None) -> str:
    return significant(value) if form is None else format(value, form).replace("-", "−")


def probability(value: float | None) -> str:
    """A probability in per cent; the ends stay open."""
    if value is None:
        return NONE
    if value < 0.005:
        return "< 1 %"
    return "> 99 %" if value > 0.995 else f"{value:.0%}".replace("%", " %")


def p_value(value: float | None) -> str:
    """A p-value with three decimals."""
    if value is None:
        return NONE
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def reynolds(value: float | None) -> str:
    """In millions."""
    return NONE if value is None else f"{value / 1e6:.2f}"


_FIRST_NUMBER = re.compile(r"(?:at least )?([<>] )?([-−+]?\d+(?:\.\d+)?(?:e[-+]\d+)?)(?![\w.:])")


def sort_value(text: str) -> str:
    """What a table sorts a cell by: the number it begins with; empty where it begins with none."""
    found = _FIRST_NUMBER.match(text)
    if found is None:
        return ""
    bound, digits = found.groups()
    value = float(digits.replace("−", "-"))
    if bound:  # "< 1 %" goes before "1 %"
        value += -1e-9 if bound[0] == "<" else 1e-9
    return repr(value)
