"""A road from the words that name it: a class, an unevenness, or the file of a profile."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from buffet.errors import RoadError
from buffet.vehicle.measured_road import measured_road
from buffet.vehicle.road import Road, road_of_class
from buffet.vehicle.road_classes import ROAD_CLASS_NAMES, ROUGHEST_M3, SMOOTHEST_M3, RoadClass
from ingest import QuantityError, finite_number, parse_quantity

WANTED_WITHOUT_FILES = "an ISO 8608 class, A to H, or an unevenness G(n0) such as '4e-6 m^3'"
WANTED_ROAD = (
    "an ISO 8608 class, A to H, an unevenness G(n0) such as '4e-6 m^3', or a profile's CSV file"
)


class UnknownRoadError(RoadError):
    """Words that name no road."""

    def __init__(self, text: str, wanted: str = WANTED_ROAD) -> None:
        super().__init__(f"got {text!r}; wanted {wanted}")


def road_from(text: str, *, files: bool = True) -> Road:
    """Return the road that is meant by "B", "4e-6 m^3" or "lane.csv".

    Parameters
    ----------
    files : whether a text may name a file; what comes over a network must not

    Raises
    ------
    UnknownRoadError
        The text names no road.
    RoadError
        The file holds no profile of one.
    """
    word = text.strip()
    if word.upper() in ROAD_CLASS_NAMES:
        return road_of_class(cast("RoadClass", word.upper()))
    if not files:
        if not _starts_with_a_number(word):
            raise UnknownRoadError(text, WANTED_WITHOUT_FILES)
        return _of_unevenness(text)
    if not word or Path(word).is_dir():
        raise UnknownRoadError(text)
    path = Path(word)
    if _starts_with_a_number(word) and not path.is_file():
        return _of_unevenness(text)
    if path.suffix or path.is_file():
        return measured_road(path)
    raise UnknownRoadError(text)


def _starts_with_a_number(word: str) -> bool:
    return bool(word) and finite_number(word.split()[0], decimal_comma=False) is not None


def _of_unevenness(text: str) -> Road:
    try:
        unevenness_m3 = parse_quantity(text.strip(), "volume")
    except QuantityError as error:
        raise UnknownRoadError(text) from error
    if not SMOOTHEST_M3 <= unevenness_m3 <= ROUGHEST_M3:
        bounds = f"G(n0) from {SMOOTHEST_M3:g} to {ROUGHEST_M3:g} m^3"
        raise UnknownRoadError(text, f"{bounds}: a good motorway has 4e-06 m^3")
    return Road(unevenness_m3)
