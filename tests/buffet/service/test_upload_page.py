"""The form that takes a campaign in, where something else than the campaign is the matter."""

from __future__ import annotations

import re
from pathlib import Path

from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import two_configurations
from tests.buffet.service.served import serving, zipped


def test_a_campaign_that_came_in_is_no_failure_where_the_queue_is_full(tmp_path: Path) -> None:
    """It is shown, with what is left to do."""
    archive = zipped(two_configurations(tmp_path / "campaign", 4.0))
    with serving(ServiceSettings(tmp_path / "service"), workers=0, queue=0) as served:
        form = served.client.get("/upload", headers={"Accept": "text/html"}).text
        token = re.findall(r'name="form_token" value="([^"]+)"', form)[0]
        files = {"archive": ("campaign.zip", archive, "application/zip")}
        answer = served.post("/upload", data={"form_token": token}, files=files)
        assert (answer.status_code, answer.headers["location"]) == (303, "/campaigns/1?done=full")
        page = served.client.get(answer.headers["location"], headers={"Accept": "text/html"}).text
        assert "Too many analyses wait already" in page
