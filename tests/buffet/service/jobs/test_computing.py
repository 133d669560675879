"""What a report says of its settings."""

from __future__ import annotations

from buffet.commands.verdicts import report
from buffet.service.jobs.computing import _as_options
from buffet.service.jobs.requests import ReportSettings


def test_a_report_tells_each_choice_as_the_command_would() -> None:
    """By options that `buffet report` has; defaults are not told, but for the speed."""
    assert _as_options(ReportSettings().values()) == {"--speed": "130 km/h"}
    chosen = ReportSettings.model_validate(
        {
            "speed": "97 km/h",
            "up_to": "180 km/h",
            "fuel_elasticity": 0.7,
            "road": "B",
            "car": "van",
            "wind": "4 m/s",
            "without_tunnel": True,
        }
    )
    told = _as_options(chosen.values())
    known = {option for parameter in report.params for option in parameter.opts}
    assert set(told) <= known
    assert len(told) == len(ReportSettings.model_fields)
    assert told["--up-to"] == "180 km/h"
    assert told["--fuel-elasticity"] == "0.7"
