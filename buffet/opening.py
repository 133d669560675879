"""A campaign opened by whatever names it: its folder, its address on a server or in a store."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import unquote, urlsplit

from ingest import CacheError, Campaign, open_stored_campaign, with_cache
from ingest import open_campaign as open_folder

_ADDRESS = re.compile(r"([a-z][a-z0-9+.:-]+)://")


def open_campaign(place: Path | str, *, cache: bool = False) -> Campaign:
    """Open a campaign: by its folder, or by its address on a server or in an object store.

    Parameters
    ----------
    place : a folder with campaign.toml, or an address such as http://hall:8000/campaigns/3; its
        token stands in the environment variable BUFFET_TOKEN. A served campaign's files are
        fetched, once, and its `result` asks the server for what that computed. Any other address,
        such as s3://bucket/campaign, is fsspec's; recordings are fetched as they are read.
    cache : keep recordings in `.buffet-cache` of the folder as they were read, for the next time

    Raises
    ------
    StoreError
        The store cannot be used, or holds no campaign there.
    NoCampaignError, SheetError
        The folder is no campaign, or its sheets have faults.
    CacheError
        Recordings cannot be kept: nothing can be written there, or it is a store.
    ClientError
        The server cannot be reached, or refuses.
    """
    address = _ADDRESS.match(str(place))
    if address is None:
        return open_folder(place, cache=cache)
    if address[1] in ("http", "https"):
        from buffet.service.client import open_served

        served = open_served(str(place))
        return with_cache(served) if cache else served
    if address[1] == "file":
        return open_folder(unquote(urlsplit(str(place)).path), cache=cache)
    if cache:
        raise CacheError(str(place), "it is a store")
    return open_stored_campaign(str(place))
