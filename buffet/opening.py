"""A campaign opened by whatever names it: its folder, or its address on a server."""

from __future__ import annotations

from pathlib import Path

from ingest import Campaign, with_cache
from ingest import open_campaign as open_folder


def open_campaign(place: Path | str, *, cache: bool = False) -> Campaign:
    """Open a campaign: by its folder, or by its address on a server.

    Parameters
    ----------
    place : a folder with campaign.toml, or an address such as http://hall:8000/campaigns/3; its
        token stands in the environment variable BUFFET_TOKEN. A served campaign's files are
        fetched, once, and its `result` asks the server for what that computed.
    cache : keep recordings in `.buffet-cache` of the folder as they were read, for the next time

    Raises
    ------
    NoCampaignError, SheetError
        The folder is no campaign, or its sheets have faults.
    CacheError
        Recordings cannot be kept there.
    ClientError
        The server cannot be reached, or refuses.
    """
    if not str(place).startswith(("http://", "https://")):
        return open_folder(place, cache=cache)
    from buffet.service.client import open_served

    served = open_served(str(place))
    return with_cache(served) if cache else served
