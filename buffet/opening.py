"""A campaign opened by whatever names it: its folder, or its address on a server."""

from __future__ import annotations

from pathlib import Path

from ingest import Campaign
from ingest import open_campaign as open_folder


def open_campaign(place: Path | str) -> Campaign:
    """Open a campaign: by its folder, or by its address on a server.

    Parameters
    ----------
    place : a folder with campaign.toml, or an address such as http://hall:8000/campaigns/3; its
        token stands in the environment variable BUFFET_TOKEN. A served campaign's files are
        fetched, once, and its `result` asks the server for what that computed.

    Raises
    ------
    NoCampaignError, SheetError
        The folder is no campaign, or its sheets have faults.
    ClientError
        The server cannot be reached, or refuses.
    """
    if not str(place).startswith(("http://", "https://")):
        return open_folder(place)
    from buffet.service.client import open_served

    return open_served(str(place))
