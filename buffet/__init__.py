"""Which add-on buffets, from what road speed on, and what the fix costs."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from buffet.analysis import CampaignAnalysis as CampaignAnalysis
    from buffet.checking import check as check
    from buffet.comparing import Comparison as Comparison
    from buffet.comparing import ComparisonSettings as ComparisonSettings
    from buffet.comparing import compare as compare
    from buffet.errors import BuffetError as BuffetError
    from buffet.following import follow as follow
    from buffet.interval import Interval as Interval
    from buffet.library import analyse as analyse
    from buffet.one_pass import AnalysisSettings as AnalysisSettings
    from buffet.opening import open_campaign as open_campaign
    from buffet.planning.plan import Plan as Plan
    from buffet.planning.plan import plan as plan
    from buffet.planning.wishes import Wishes as Wishes
    from buffet.rating.criteria import Criteria as Criteria
    from buffet.rating.criteria import read_criteria as read_criteria
    from buffet.rating.rate import Rating as Rating
    from buffet.rating.rate import RatingSettings as RatingSettings
    from buffet.rating.rate import rate as rate
    from buffet.rating.table import road_table as road_table
    from buffet.rating.wind import Wind as Wind
    from buffet.rating.wind import YawShares as YawShares
    from buffet.rating.yaw_shares import read_yaw_shares as read_yaw_shares
    from buffet.report import report_html as report_html
    from buffet.run_analysis import RunAnalysis as RunAnalysis
    from buffet.run_spectra import RunResult as RunResult
    from buffet.run_spectra import run_result as run_result
    from ingest import IngestError as IngestError

# Where each name lives; nothing is loaded before it is asked for.
_HOME = {
    "AnalysisSettings": "buffet.one_pass",
    "BuffetError": "buffet.errors",
    "CampaignAnalysis": "buffet.analysis",
    "Comparison": "buffet.comparing",
    "ComparisonSettings": "buffet.comparing",
    "Criteria": "buffet.rating.criteria",
    "IngestError": "ingest",
    "Interval": "buffet.interval",
    "Plan": "buffet.planning.plan",
    "Rating": "buffet.rating.rate",
    "RatingSettings": "buffet.rating.rate",
    "RunAnalysis": "buffet.run_analysis",
    "RunResult": "buffet.run_spectra",
    "Wishes": "buffet.planning.wishes",
    "Wind": "buffet.rating.wind",
    "YawShares": "buffet.rating.wind",
    "analyse": "buffet.library",
    "check": "buffet.checking",
    "compare": "buffet.comparing",
    "follow": "buffet.following",
    "open_campaign": "buffet.opening",
    "plan": "buffet.planning.plan",
    "rate": "buffet.rating.rate",
    "read_criteria": "buffet.rating.criteria",
    "read_yaw_shares": "buffet.rating.yaw_shares",
    "report_html": "buffet.report",
    "road_table": "buffet.rating.table",
    "run_result": "buffet.run_spectra",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load the module that holds a name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return list(__all__)
