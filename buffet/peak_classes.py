"""What a peak is taken for, flow or rig, and the sentence that says why."""

from __future__ import annotations

from dataclasses import dataclass

from buffet.interval import Interval
from buffet.rotation import LineSource, mains_source, rotation_source
from buffet.spectral.tracks import FIXED, SCALES, UNDECIDED, ClassName, Verdict
from ingest import Rotation


@dataclass(frozen=True)
class PeakClass:
    """A peak's class over the wind speeds, and what turns at its rate."""

    name: ClassName
    why: str
    source: LineSource | None = None
    narrow: bool = False  # a line, or hardly wider than the resolution

    @property
    def may_be_wake(self) -> bool:
        """Whether nothing speaks for rig, mains or what turns."""
        return self.name != FIXED and self.source is None


NOT_FOLLOWED = PeakClass(UNDECIDED, "peaks were not followed over the wind speeds")


def peak_class(
    verdict: Verdict,
    frequency_hz: Interval,
    narrow: bool,
    rotation: Rotation,
    wind_m_s: float | None,
) -> PeakClass:
    """The class with its source; only what is narrow is held against rates that turn."""
    source = line_source(frequency_hz, rotation, wind_m_s, verdict.name) if narrow else None
    meaning = _meaning(verdict.name, narrow, source)
    why = f"{verdict.why}; {meaning}" if meaning else verdict.why
    return PeakClass(verdict.name, why, source, narrow)


def line_source(
    frequency_hz: Interval,
    rotation: Rotation,
    wind_m_s: float | None,
    name: ClassName = UNDECIDED,
) -> LineSource | None:
    """What turns or hums at a line's frequency. The mains keep theirs; a fan or belt may, too."""
    mains = mains_source(frequency_hz) if name != SCALES else None
    turning = rotation_source(frequency_hz, rotation, wind_m_s)
    if mains is None or turning is None or name == FIXED:
        return mains or turning
    return min(mains, turning, key=lambda source: _distance(source, frequency_hz))


def _distance(source: LineSource, frequency_hz: Interval) -> float:
    return abs(source.base_hz * source.order - frequency_hz.value)


def _meaning(name: ClassName, narrow: bool, source: LineSource | None) -> str:
    """What class and width say of the cause."""
    if source is not None:
        return f"it matches {source}"
    if name == FIXED:
        return (
            "a line of the rig or its electronics that matches no mains frequency"
            if narrow
            else "a resonance of the rig"
        )
    if name == SCALES and narrow:
        return (
            "a line that scales may be fan, belt or wheel: it matches no rate stated under "
            "[tunnel] or [wheels]"
        )
    if name == SCALES:
        return (
            "broad, so it is flow: the wake's, or pulsation of the jet, which scales too and which "
            "only a reference probe tells from it"
        )
    return ""
