"""The board at a road speed: what the page shows of the board document, and where it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from buffet.interval import Interval
from buffet.rating.criteria import WORST_FIRST, Verdict
from buffet.report.wording import MARKS, NONE, Mark, probability, significant, spanned

KM_H = 3.6
SAME_KM_H = 0.5  # nearer than this a speed asked for is the one that is shown
DEFAULT_STEP_KM_H = 5
Document = Mapping[str, Any]


@dataclass(frozen=True)
class Card:
    """One configuration at the speed shown."""

    place: int  # in the document; its line style too
    name: str
    is_baseline: bool
    mark: Mark
    why: str
    remarks: tuple[str, ...]
    p_possible: str
    p_likely: str
    onset: str
    band: str
    cost: str


@dataclass(frozen=True)
class Group:
    """Configurations with one verdict."""

    mark: Mark
    cards: tuple[Card, ...]


def interval_of(entry: Document | None) -> Interval | None:
    """An interval of a document."""
    if entry is None or entry["value"] is None:
        return None
    return Interval(entry["value"], entry["low"], entry["high"], entry["level"])


def speeds_km_h(board: Document) -> list[float]:
    """The board's road speeds, as a slider holds them."""
    return [round(speed * KM_H, 6) for speed in board["speeds_m_s"]]


def place_of(board: Document, speed_km_h: float | None) -> int:
    """Where the board holds the speed nearest to one asked for; the rated one where none was."""
    asked = board["rated_speed_m_s"] * KM_H if speed_km_h is None else speed_km_h
    speeds = speeds_km_h(board)
    return min(range(len(speeds)), key=lambda i: abs(speeds[i] - asked))


def away(board: Document, place: int, speed_km_h: float | None) -> bool:
    """Whether the speed shown is another than that asked for."""
    return speed_km_h is not None and abs(speeds_km_h(board)[place] - speed_km_h) > SAME_KM_H


def groups(board: Document, place: int) -> tuple[Group, ...]:
    """Every verdict, worst first, with its configurations in the document's order."""
    found: dict[Verdict, list[Card]] = {verdict: [] for verdict in WORST_FIRST}
    for i, one in enumerate(board["configurations"]):
        found[one["at"][place]["verdict"]].append(_card(one, i, place))
    return tuple(Group(MARKS[verdict], tuple(cards)) for verdict, cards in found.items())


def _card(one: Document, place: int, speed: int) -> Card:
    at = one["at"][speed]
    low, high = one["usable_band_hz"][speed]
    return Card(
        place,
        one["name"],
        one["is_baseline"],
        MARKS[at["verdict"]],
        at["why"],
        tuple(one["remarks"]),
        probability(at["p_possible"]),
        probability(at["p_likely"]),
        _onset(one),
        band_text(low, high),
        cost_text(one),
    )


def band_text(low_hz: float, high_hz: float) -> str:
    """ "0.4 to 39 Hz"."""
    return f"{significant(low_hz, 2)} to {significant(high_hz, 2)} Hz"


def _onset(one: Document) -> str:
    reached = interval_of(one["onset_speed_m_s"])
    why: str = one["onset_why"]
    return why if reached is None else f"{spanned(reached, '.0f', KM_H)} km/h, {why}"


def cost_text(one: Document) -> str:
    """Change of drag and of fuel against the baseline, in short."""
    costs = one["costs"]
    if costs is None:
        return ""
    drag, fuel = (interval_of(costs[f"{word}_change_percent"]) for word in ("drag", "fuel"))
    told = [
        f"{word} {spanned(value, '+.1f')} %"
        for word, value in (("drag", drag), ("fuel", fuel))
        if value is not None
    ]
    return ", ".join(told)


def headline(board: Document, place: int) -> str:
    """ "likely: bare tailgate; possible: long spoiler", worst first."""
    told = [
        f"{group.mark.word}: {', '.join(card.name for card in group.cards)}"
        for group in groups(board, place)
        if group.cards
    ]
    return "; ".join(told)


def moving(board: Document) -> dict[str, Any]:
    """What a script needs to show the cards at any speed."""
    return {
        "speeds": speeds_km_h(board),
        "names": [one["name"] for one in board["configurations"]],
        "at": [
            [
                {
                    "verdict": at["verdict"],
                    "why": at["why"],
                    "possible": probability(at["p_possible"]),
                    "likely": probability(at["p_likely"]),
                    "band": band_text(*band),
                }
                for at, band in zip(one["at"], one["usable_band_hz"], strict=True)
            ]
            for one in board["configurations"]
        ],
    }


@dataclass(frozen=True)
class CostRow:
    """What an add-on changes at the rated speed."""

    name: str
    mark: Mark
    cells: tuple[str, ...]
    why: str  # where nothing is told


COSTS = (
    ("Drag coefficient", "delta_drag", None),
    ("Drag, %", "drag_change_percent", "+.1f"),
    ("Front lift coefficient", "delta_front_lift", None),
    ("Rear lift coefficient", "delta_rear_lift", None),
    ("Fuel or energy, %", "fuel_change_percent", "+.1f"),
    ("Top speed, %", "top_speed_change_percent", "+.1f"),
)


def cost_rows(board: Document, place: int) -> tuple[CostRow, ...]:
    """Every configuration, the baseline too."""
    return tuple(_cost_row(one, place) for one in board["configurations"])


def _cost_row(one: Document, place: int) -> CostRow:
    mark, costs = MARKS[one["at"][place]["verdict"]], one["costs"]
    if costs is None:
        return CostRow(one["name"], mark, (NONE,) * len(COSTS), one["costs_why"])
    cells = tuple(change_text(interval_of(costs[key]), form) for _, key, form in COSTS)
    return CostRow(one["name"], mark, cells, "")


def change_text(value: Interval | None, form: str | None) -> str:
    """With its sign; no finer than the interval where no form is given."""
    if value is None:
        return NONE
    return value.text(sign=True) if form is None else spanned(value, form)


def not_rated(board: Document) -> Sequence[tuple[str, str]]:
    """Criteria that no configuration has at any speed, with the first reason given."""
    found = []
    for i, row in enumerate(board["criteria"]):
        curves = [one["criteria"][i] for one in board["configurations"]]
        if all(value is None for curve in curves for value in curve["value"]):
            reasons = (why for curve in curves for why in curve["why"] if why)
            found.append((row["id"], next(reasons, "not measured")))
    return found
