"""What every reader of a verdict must be told."""

from __future__ import annotations

STILL_AIR = "Still air is assumed."
WIND = (
    "A mixture of steady yaw angles stands for the wind: what its gusts themselves do to the car "
    "is missing."
)


def cautions(*, in_wind: bool) -> tuple[str, ...]:
    """Of a rating in wind, or in still air."""
    return (
        "Decision support from a scaled test: scale, Reynolds number, moving ground and gusts "
        "differ from the road.",
        "Do not go looking for buffeting on public roads.",
        "The verdict speaks of what is felt; it does not judge stability. Decisions on stability "
        "and structure need licensed engineers and follow local rules.",
        "The model is held rigid: forces that the car's own motion causes are missing. "
        f"{WIND if in_wind else STILL_AIR}",
    )
