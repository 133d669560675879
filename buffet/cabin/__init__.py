"""The air in the cabin: its pressure as it is heard and felt, and what makes it resound."""

from buffet.cabin.g_weighting import g_level_db, g_weighting, weights_g
from buffet.cabin.levels import (
    REFERENCE_PRESSURE_PA,
    band_level_db,
    level_db,
    level_interval,
    mean_square,
    rms_pressure_pa,
    weights_band,
)
from buffet.cabin.openings import (
    FLANGED_END,
    FREE_END,
    Cabin,
    Meeting,
    Opening,
    OpeningError,
    ShearLayer,
    meetings,
)
from buffet.cabin.third_octaves import (
    ThirdOctave,
    third_octave_levels_db,
    third_octaves,
    weights_third_octaves,
)

__all__ = [
    "FLANGED_END",
    "FREE_END",
    "REFERENCE_PRESSURE_PA",
    "Cabin",
    "Meeting",
    "Opening",
    "OpeningError",
    "ShearLayer",
    "ThirdOctave",
    "band_level_db",
    "g_level_db",
    "g_weighting",
    "level_db",
    "level_interval",
    "mean_square",
    "meetings",
    "rms_pressure_pa",
    "third_octave_levels_db",
    "third_octaves",
    "weights_band",
    "weights_g",
    "weights_third_octaves",
]
