"""A short campaign from the demo's simulation, with one name that hurts careless pages."""

from __future__ import annotations

import re
from pathlib import Path
from tempfile import TemporaryDirectory

from buffet.analysis import analyse
from buffet.comparing import Comparison, compare
from buffet.demo import write_demo
from buffet.demo.schedule import DemoSettings
from buffet.one_pass import AnalysisSettings
from buffet.rating.rate import FOR_RATING, RatingSettings, rate
from ingest import open_campaign
from tests.shared import computed_once

HOSTILE = "<b>&$x_1$"
HOSTILE_TITLE = """<script>alert("1")</script> & 'x' $y^2$"""
SPEED_M_S = 130 / 3.6
HIGHEST_M_S = 150 / 3.6


@computed_once
def comparison() -> Comparison:
    """Four configurations at one wind speed; the wing bears the hostile name."""
    settings = DemoSettings(wind_on_s=60, wind_off_s=12, speeds_m_s=(40.0,), repeats=1)
    with TemporaryDirectory() as name:
        folder = Path(name) / "campaign"
        write_demo(folder, settings=settings)
        for sheet in folder.glob("runs/*.toml"):
            text = sheet.read_text(encoding="utf-8")
            sheet.write_text(text.replace('"wing"', f'"{HOSTILE}"'), encoding="utf-8")
        campaign = folder / "campaign.toml"
        text = campaign.read_text(encoding="utf-8")
        titled = re.sub(r"(?m)^title = .*$", f'title = """{HOSTILE_TITLE}"""', text)
        campaign.write_text(titled, encoding="utf-8")
        analysis = analyse(open_campaign(folder), settings=AnalysisSettings(keeps=FOR_RATING))
    return compare(rate(analysis, RatingSettings(SPEED_M_S, up_to_m_s=HIGHEST_M_S)))
