"""Which wind a rating holds for, in words, in JSON and in columns; formats, computes nothing."""

from __future__ import annotations

from typing import Any

from buffet.rating.wind import Wind, YawDistribution
from buffet.rating.yaw_mix import YawAtSpeed

STILL_AIR = "still air"
# Of a comparison in wind, whose ratios are not weighted by it.
RATIOS_WITHOUT_WIND = (
    "Ratios and differences take every wind speed and yaw angle that both were run at alike; only "
    "verdicts are for the wind."
)


def wind_text(wind: YawDistribution | None) -> str:
    """What is assumed; empty in still air."""
    if wind is None:
        return ""
    if isinstance(wind, Wind):
        own = (
            f"{wind.mean_speed_m_s:.3g} m/s mean at the car's height, from all sides alike (each "
            f"component Gaussian, {wind.component_m_s:.2g} m/s)"
        )
    else:
        own = f"shares of yaw angles as in {wind.name}, at every road speed"
    return (
        f"Wind: {own}. Variances of the yaw angles run are averaged over it, straight between "
        "angles; a side that was not run mirrors the other."
    )


def wind_entries(wind: YawDistribution | None) -> dict[str, Any]:
    """The wind for a JSON document; null in still air."""
    if wind is None:
        return {"wind": None}
    if isinstance(wind, Wind):
        own: dict[str, Any] = {
            "mean_speed_m_s": wind.mean_speed_m_s,
            "component_deviation_m_s": wind.component_m_s,
            "yaw_shares": None,
        }
    else:
        shares = {"yaw_rad": wind.yaw_rad.tolist(), "share": wind.share.tolist()}
        shares |= {"file": wind.name, "sha256": wind.sha256}
        own = {"mean_speed_m_s": None, "component_deviation_m_s": None, "yaw_shares": shares}
    return {"wind": own}


def mixed_entries(mixed: YawAtSpeed | None) -> dict[str, Any]:
    """What one configuration's runs stand for; null in still air."""
    if mixed is None:
        return {"wind": None}
    return {
        "wind": {
            "yaw_deg": list(mixed.yaw_deg),
            "share": list(mixed.shares),
            "share_beyond": mixed.share_beyond,
            "variance_factor": mixed.variance_factor,
            "covered": mixed.covered,
        }
    }


def wind_columns(wind: YawDistribution | None) -> dict[str, Any]:
    """The wind as one column."""
    return {"wind": STILL_AIR if wind is None else wind.text}
