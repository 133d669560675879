"""The page that holds the add-ons against the baseline, from the comparison's document."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from buffet.cautions import cautions
from buffet.pairs import SIGNIFICANT
from buffet.report.wording import MARKS, Mark, p_value, probability, spanned
from buffet.service.pages.board_view import COSTS, KM_H, change_text, interval_of
from buffet.service.pages.entries import CampaignEntry
from buffet.service.pages.frame import USUAL_SPEED_KM_H, Frame, render

Document = Mapping[str, Any]


@dataclass(frozen=True)
class ComparePage:
    """A campaign and its comparison; or why there is none."""

    campaign: CampaignEntry
    comparison: Document | None  # buffet/comparison
    comparison_why: str | None
    is_stale: bool = False


@dataclass(frozen=True)
class RatioRow:
    """RMS of one add-on over the baseline's."""

    name: str
    component: str
    ratio: str
    p: str
    says: str
    note: str


@dataclass(frozen=True)
class RankRow:
    """How much is felt of a configuration, and whether it is the least."""

    name: str
    mark: Mark | None
    share: str
    criterion: str
    p_best: str
    beaten: str


def compare_page(frame: Frame, data: ComparePage) -> str:
    """Recommendation, ratios, costs, and what stays doubtful."""
    values: dict[str, Any] = {
        "data": data,
        "campaign": data.campaign,
        "usual_speed": USUAL_SPEED_KM_H,
    }
    if data.comparison is not None:
        values |= _shown(data.comparison)
    return render("compare", frame, values)


def _shown(compared: Document) -> dict[str, Any]:
    return {
        "compared": compared,
        "speed": compared["speed_m_s"] * KM_H,
        "equal": compared["equal_within_percent"],
        "ratios": [row for one in compared["configurations"] for row in _ratios(one, compared)],
        "cost_names": [name for name, _, _ in COSTS],
        "changes": [_change(one) for one in compared["configurations"]],
        "ranks": _ranks(compared),
        "not_ranked": compared["ranking"]["not_ranked"],
        "cautions": cautions(in_wind=compared["wind"] is not None),
    }


def _ratios(one: Document, compared: Document) -> list[RatioRow]:
    return [
        RatioRow(
            one["name"],
            word,
            spanned(interval_of(ratio)),
            p_value(one["p_value"].get(word)),
            _says(one, word, compared["equal_within_percent"]),
            _note(one, word),
        )
        for word, ratio in one["rms_ratio"].items()
    ]


def _says(one: Document, word: str, equal: float) -> str:
    """A difference, none to speak of, or neither and from what change on one would be shown."""
    if word in one["unreliable"]:
        return "too little record"
    if one["p_value"][word] < SIGNIFICANT:
        return "different"
    if one["equivalence_p_value"][word] < SIGNIFICANT:
        return f"equal within {equal:g} %"
    return f"open; shown from {one['detectable_change_percent'][word]:.1f} %"


def _note(one: Document, word: str) -> str:
    part = one["not_flow"].get(word)
    if part is None:
        return ""
    share = f"{100 * min(part['share'], 1):.0f} %"
    return (
        f"{share} of the change at {part['frequency_hz']:.3g} Hz is not the flow's: {part['what']}"
    )


def _change(one: Document) -> tuple[str, Mark, list[str], str]:
    """Name, verdict, cells, and why some are missing."""
    cells = [change_text(interval_of(one[key]), form) for _, key, form in COSTS]
    missing = "; ".join(f"{what}: {why}" for what, why in one["missing"].items())
    return one["name"], MARKS[one["verdict"]], cells, missing


def _ranks(compared: Document) -> list[RankRow]:
    """The least felt first, as ranked."""
    traded = {one["name"]: one for one in compared["trade_offs"]}
    return [
        RankRow(
            one["name"],
            MARKS[traded[one["name"]]["verdict"]] if one["name"] in traded else None,
            spanned(interval_of(one["share_of_limit"])),
            one["criterion"],
            probability(one["p_best"]),
            _beaten(traded.get(one["name"])),
        )
        for one in compared["ranking"]["configurations"]
    ]


def _beaten(one: Document | None) -> str:
    if one is None or one["dominated_by"] is None:
        return "not told"
    return ", ".join(one["dominated_by"]) or "none"
