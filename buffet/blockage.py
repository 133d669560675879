"""How blockage is corrected in a campaign, by how much, and where that should be looked at."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingest import (
    Blockage,
    Campaign,
    Finding,
    FlowState,
    Run,
    TestSection,
    continuity_factor,
)

# Share of the test section from which a missing correction is told: a closed section's coefficients
# are 5 % too large there by continuity (common practice, no source).
LARGE_RATIO = 0.05
# Beyond it the rules were hardly tried: a car in a fifth of a section came out within 5 %
# (Altinisik et al. 2015, J. Fluids Eng., doi 10.1115/1.4030183).
LARGEST_RATIO = 0.2

RULES = {"continuity": "by continuity", "maskell": "after Maskell"}


@dataclass(frozen=True)
class CampaignBlockage:
    """The one method of a campaign, and the range of its factors over runs."""

    method: str
    area_ratio: float | None  # None where no test section or no model is stated
    factors: tuple[float, float]  # q_c / q, lowest and highest

    @classmethod
    def of(cls, campaign: Campaign, flows: Sequence[FlowState | None]) -> CampaignBlockage:
        """Over the runs that have a flow."""
        model, section = campaign.model, campaign.test_section
        known = [flow.blockage.dynamic_pressure_factor for flow in flows if flow is not None]
        return cls(
            "none" if section is None else section.blockage,
            None if model is None or section is None else model.frontal_area_m2 / section.area_m2,
            (min(known, default=1.0), max(known, default=1.0)),
        )

    @property
    def text(self) -> str:
        """Method and size in words."""
        if self.area_ratio is None:
            return "not corrected, no test section is stated"
        fills = f"the model fills {self.area_ratio:.1%} of the test section"
        if self.method == "none":
            return f"not corrected, {fills}"
        return f"corrected {RULES[self.method]}, {_times(self.factors)}, {fills}"


def blockage_text(blockage: Blockage) -> str:
    """The correction of one run in words; empty where none is made."""
    if blockage.method == "none":
        return ""
    factor = blockage.dynamic_pressure_factor
    return f"corrected {RULES[blockage.method]}, {_times((factor, factor))}: {blockage.why}"


def _times(factors: tuple[float, float]) -> str:
    ends = dict.fromkeys(f"{factor:.4f}" for factor in factors)
    return f"dynamic pressure times {' to '.join(ends)}"


def blockage_findings(
    run: Run, flow: FlowState | None, section: TestSection | None
) -> Iterator[Finding]:
    """A large model without a correction, or one too large for any."""
    ratio = None if flow is None else flow.blockage.area_ratio
    if ratio is None or section is None:
        return
    fills = f"the model fills {ratio:.1%} of the {section.kind} test section"
    if section.blockage != "none" and ratio > LARGEST_RATIO:
        yield Finding(
            "warning",
            "blockage-out-of-range",
            run.number,
            None,
            f"{fills}; blockage corrections are hardly tried beyond {LARGEST_RATIO:.0%}",
            "trust comparisons alone, not absolute coefficients; use a smaller model or a larger "
            "test section",
        )
    elif section.blockage == "none" and ratio > LARGE_RATIO:
        yield Finding(
            "warning",
            "blockage-not-corrected",
            run.number,
            None,
            *_not_corrected(fills, section, ratio),
        )


def _not_corrected(fills: str, section: TestSection, ratio: float) -> tuple[str, str]:
    """Message and advice."""
    if section.kind == "open":
        return (
            f"{fills} and blockage is not corrected: the jet gives way, and coefficients come out "
            "too small",
            "state the dynamic pressure that the tunnel's own calibration gives at the model (SAE "
            "J2071), or compare add-ons alone",
        )
    by = continuity_factor(ratio) - 1
    return (
        f"{fills} and blockage is not corrected: coefficients are some {by:.0%} too large",
        "choose [test_section] blockage = 'continuity' or 'maskell' in campaign.toml",
    )
