"""Channels of the flow whose mean cannot be: a wind that blows backwards, air that is none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from ingest.channel import Channel
from ingest.findings import Finding
from ingest.flow import AIR, WIND, can_be

if TYPE_CHECKING:
    from ingest.record import Run


def flow_findings(run: Run, channel_means: Mapping[str, float]) -> Iterator[Finding]:
    """What is wrong with the means (by channel name, SI) that a wind-on run's flow rests on."""
    if run.kind == "wind-off":
        return
    for channel in run.channels:
        mean = channel_means.get(channel.name)
        if mean is None or can_be(channel.measures, mean):
            continue
        if channel.measures in WIND:
            yield _no_wind(run, channel, mean)
        elif channel.measures in AIR and _is_needed(run, channel):
            yield _no_air(run, channel, mean)


def _no_wind(run: Run, channel: Channel, mean: float) -> Finding:
    return Finding(
        "error",
        "flow-not-positive",
        run.number,
        channel.name,
        f"the mean {channel.measures} is {mean:.4g} {channel.unit} on a wind-on run, so no wind "
        "speed follows from this channel",
        "check the sign of its gain, its offset and its wind-off zero",
    )


def _is_needed(run: Run, channel: Channel) -> bool:
    """Whether density or viscosity follow from the channel; where both are stated they do not."""
    air = run.air
    if air.density_kg_m3 is None:
        return True
    return channel.measures == "temperature" and air.viscosity_pa_s is None


def _no_air(run: Run, channel: Channel, mean: float) -> Finding:
    is_temperature = channel.measures == "temperature"
    stated = run.air.temperature_k if is_temperature else run.air.static_pressure_pa
    used = "the air on the road was assumed" if stated is None else "the stated value was used"
    return Finding(
        "warning",
        "implausible-air",
        run.number,
        channel.name,
        f"the mean {channel.measures} is {mean:.4g} {channel.unit}, which air in a wind tunnel "
        f"cannot have; {used}",
        "check the channel's unit, gain and offset",
    )
