"""What one field of a delimited text can be, and how a line falls into fields."""

from __future__ import annotations

import csv
import math
import re
from functools import lru_cache

BLANKS = " "  # stands for any run of blanks as delimiter

# Texts that loggers and spreadsheets write where a sample is missing; the empty field is one too.
MISSING = (
    *("", "NaN", "NAN", "nan", "-nan", "-NaN", "NA", "<NA>", "N/A", "n/a", "#N/A", "#NA", "#NV"),
    *("NULL", "Null", "null", "None", "#NUM!", "-", "--", "---", "*", "?"),
    *("1.#IND", "-1.#IND", "1.#QNAN", "-1.#QNAN", "1.#INF", "-1.#INF"),
)
_INFINITE = re.compile(r"[+-]?inf(inity)?", re.IGNORECASE)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_TIME = re.compile(r"(\d{4}-\d\d-\d\d|\d\d?[./]\d\d?[./]\d{2,4})?[T ]?(\d\d?:\d\d(:\d\d)?\S*)?")
_BRACKETED = re.compile(r"[\[(<].{0,12}[\])>]")
_UNIT_ATOMS = frozenset(
    (
        *("V", "mV", "uV", "µV", "A", "mA", "count", "counts", "bit", "dB", "TS", "RN"),
        *("N", "mN", "kN", "Nm", "kNm", "lbf", "lb", "g", "kg"),
        *("Pa", "hPa", "kPa", "MPa", "bar", "mbar", "psi"),
        *("m", "mm", "cm", "km", "ft", "in", "rad", "deg", "°", "rpm"),
        *("s", "sec", "ms", "us", "µs", "min", "h", "Hz", "kHz"),
        *("K", "C", "°C", "degC", "F", "degF"),
    )
)
_UNIT_GLUE = re.compile(r"[/*·^\d²³\s-]+")


def split_line(line: str, delimiter: str) -> list[str]:
    """Fields of one line, stripped and without quotes."""
    if '"' in line:
        return _split_quoted(line.strip() if delimiter == BLANKS else line, delimiter)
    if delimiter == BLANKS:
        return line.split()
    return [field.strip() for field in line.split(delimiter)]


def _split_quoted(line: str, delimiter: str) -> list[str]:
    reader = csv.reader([line.replace("\r", " ")], delimiter=delimiter, skipinitialspace=True)
    try:
        fields = next(reader, [])
    except csv.Error:  # a quote that stands by itself before very many characters
        fields = line.replace('"', "").split(delimiter)
    stripped = [field.strip() for field in fields]
    return [field for field in stripped if field] if delimiter == BLANKS else stripped


@lru_cache(maxsize=64)
def _as_written(decimal: str, missing: tuple[str, ...]) -> tuple[frozenset[str], frozenset[float]]:
    texts = frozenset((*MISSING, *(marker.strip() for marker in missing)))
    numbers = [marker.strip().replace(decimal, ".") for marker in missing]
    return texts, frozenset(float(text) for text in numbers if _NUMBER.fullmatch(text))


def sample(text: str, decimal: str, missing: tuple[str, ...]) -> float | None:
    """The number a stripped field stands for, NaN where missing, None where it is neither."""
    texts, numbers = _as_written(decimal, missing)
    if text in texts or _INFINITE.fullmatch(text):
        return math.nan
    plain = text.replace(decimal, ".") if decimal != "." else text
    if not _NUMBER.fullmatch(plain):
        return None
    number = float(plain)
    return math.nan if number in numbers or math.isinf(number) else number


def stands_for_number(text: str, decimal: str) -> bool:
    """Whether a missing marker is itself a number, such as 999.999."""
    return _NUMBER.fullmatch(text.strip().replace(decimal, ".")) is not None


def says_not_a_number(text: str) -> bool:
    """NaN in words, which stands among numbers only; a dash or a blank stands anywhere."""
    return "nan" in text.casefold()


def looks_like_time(text: str) -> bool:
    """A date, a time of day, or both."""
    return ("-" in text or ":" in text or "." in text or "/" in text) and bool(
        _TIME.fullmatch(text)
    )


def look_like_units(fields: list[str]) -> bool:
    """Nothing but short units, in brackets or known to the trade; at least one of them."""
    filled = [field for field in fields if field]
    return bool(filled) and all(_is_unit(field) for field in filled)


def _is_unit(text: str) -> bool:
    if _BRACKETED.fullmatch(text):
        return True
    atoms = [atom for atom in _UNIT_GLUE.split(text) if atom]
    return text in ("-", "1", "%") or (bool(atoms) and all(atom in _UNIT_ATOMS for atom in atoms))


def unit_text(text: str) -> str:
    """A unit without its brackets."""
    return text[1:-1].strip() if _BRACKETED.fullmatch(text) else text
