"""Pages about campaigns: the list, the board, the bin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buffet.service.pages.board_charts import (
    NARROW,
    WIDE,
    criterion_charts,
    crossing_chart,
    legend,
    strip_text,
    strips_svg,
)
from buffet.service.pages.board_view import (
    COSTS,
    DEFAULT_STEP_KM_H,
    KM_H,
    Document,
    away,
    cost_rows,
    groups,
    headline,
    moving,
    not_rated,
    place_of,
    speeds_km_h,
)
from buffet.service.pages.entries import CampaignEntry, JobEntry, RunEntry
from buffet.service.pages.frame import USUAL_SPEED_KM_H, Frame, Pager, render

STRIP_WIDTHS = {"wide-screen": WIDE, "narrow-screen": NARROW}  # by class


@dataclass(frozen=True)
class ListedCampaign:
    """A campaign in the list."""

    campaign: CampaignEntry
    state: str  # "rated", "being worked on", "not analysed", ...
    verdicts: str = ""  # in short, where there is a board: `board_view.headline` at the rated speed
    watching: bool = False  # whether its folder is watched now


@dataclass(frozen=True)
class CampaignList:
    """What was found, and how."""

    campaigns: tuple[ListedCampaign, ...]
    search: str
    pager: Pager


def list_page(frame: Frame, data: CampaignList) -> str:
    """Every campaign, newest first, searched and paged."""
    return render("list", frame, {"data": data})


@dataclass(frozen=True)
class CampaignBoard:
    """A campaign, what is known of it, and what is still being worked out."""

    campaign: CampaignEntry
    runs: tuple[RunEntry, ...]
    board: Document | None  # buffet/board; None where there is none yet
    board_why: str | None  # why there is none
    jobs: tuple[JobEntry, ...] = ()  # the newest first
    speed_km_h: float | None = None  # asked for; None: the rated one
    is_stale: bool = False  # the board is of an earlier state of the campaign
    watching: bool = False


def board_page(frame: Frame, data: CampaignBoard) -> str:
    """Configurations by verdict at a road speed, and all that the board holds."""
    values = {"data": data, "campaign": data.campaign, "usual_speed": USUAL_SPEED_KM_H}
    if data.board is None:
        return render("board_none", frame, values)
    return render("board", frame, values | _shown(data.board, data.speed_km_h))


def _shown(board: Document, speed_km_h: float | None) -> dict[str, object]:
    place = place_of(board, speed_km_h)
    speeds = speeds_km_h(board)
    return {
        "board": board,
        "speed": speeds[place],
        "lowest": speeds[0],
        "highest": speeds[-1],
        "step": DEFAULT_STEP_KM_H,
        "rated": board["rated_speed_m_s"] * KM_H,
        "asked": speed_km_h if away(board, place, speed_km_h) else None,
        "headline": headline(board, place),
        "groups": groups(board, place),
        "moving": moving(board),
        "strips": {name: strips_svg(board, place, width) for name, width in STRIP_WIDTHS.items()},
        "strip_rows": [(one["name"], strip_text(one, speeds)) for one in board["configurations"]],
        "charts": criterion_charts(board, place),
        "crossings": crossing_chart(board, place),
        "legend": legend(board),
        "cost_names": [name for name, _, _ in COSTS],
        "costs": cost_rows(board, place_of(board, None)),
        "not_rated": not_rated(board),
    }


@dataclass(frozen=True)
class BinnedCampaign:
    """A campaign in the bin."""

    campaign: CampaignEntry
    binned_at: float
    binned_by: str
    size_bytes: int


@dataclass(frozen=True)
class BinnedRun:
    """A run in the bin, of a campaign that is not."""

    campaign: CampaignEntry
    number: str
    binned_at: float
    size_bytes: int
    back: str  # address that its form posts to


def bin_page(
    frame: Frame, campaigns: Sequence[BinnedCampaign], runs: Sequence[BinnedRun] = ()
) -> str:
    """What can still be brought back, or deleted for good."""
    return render("bin", frame, {"campaigns": campaigns, "runs": runs})
