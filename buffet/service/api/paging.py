"""Lists in pages, and answers that a client has already."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import Header, Path, Query, Request

LONGEST_PAGE = 200
LARGEST_ID = 2**31 - 1  # of either database's integer columns

Limit = Annotated[int, Query(ge=1, le=LONGEST_PAGE, description="how many at most")]
Before = Annotated[
    int | None, Query(ge=0, le=LARGEST_ID, description="the last id of the page before")
]
After = Annotated[
    int, Query(ge=-1, le=LARGEST_ID, description="the last position of the page before")
]
CampaignId = Annotated[int, Path(ge=1, le=LARGEST_ID, description="of a campaign")]
JobId = Annotated[int, Path(ge=1, le=LARGEST_ID, description="of a job")]
NO_CONTROLS = r"^[^\x00-\x1f\x7f]*$"  # PostgreSQL keeps no NUL, and no text of ours any of them
RunNumber = Annotated[
    str,
    Path(
        min_length=1,
        max_length=100,
        pattern=NO_CONTROLS,
        description="as the sheet has it",
        examples=["014"],
    ),
]
Search = Annotated[
    str,
    Query(
        max_length=200,
        pattern=NO_CONTROLS,
        description="a part of a title or of a configuration's name, or a run's number",
    ),
]
IfNoneMatch = Annotated[
    str | None, Header(description="ETag of what the client has: 304 where that still holds")
]
IfMatch = Annotated[
    str | None, Header(description="ETag of what the client saw: 412 where it changed meanwhile")
]


def run_address(campaign_id: int, number: str) -> str:
    """Where a run is found."""
    return f"/api/campaigns/{campaign_id}/runs/{quote(number, safe='')}"


def next_address(request: Request, key: str, places: Sequence[int], limit: int) -> str | None:
    """Address of the page that follows, with the same other choices; None at the end.

    Parameters
    ----------
    key : of the choice where a page begins
    places : of what is on this page, in its order; a page that is not full is the last
    """
    if len(places) < limit:
        return None
    kept = [(name, value) for name, value in request.query_params.multi_items() if name != key]
    return f"{request.url.path}?{urlencode([*kept, (key, str(places[-1]))])}"


def matches(header: str | None, etag: str) -> bool:
    """Whether a header's list of tags holds this one; weak tags compare as strong ones."""
    if header is None:
        return False
    tags = [tag.strip().removeprefix("W/") for tag in header.split(",")]
    return "*" in tags or etag in tags
