"""Peaks that keep their Strouhal number, as rays of frequency over road speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from buffet.interval import Interval
from buffet.rating.motions import LATERAL, RIDE, ROLL, Family
from buffet.run_spectra import RunResult
from buffet.spectral.strouhal import LOWEST_SHEDDING_Q
from buffet.spectral.tracks import SCALES, UNDECIDED, ClassName
from buffet.spectral.uncertainty import pooled
from buffet.sweep.tracks import Seen, Track, tracks

# Components whose peaks are one family's, and which push the modes of that family.
WORDS: dict[Family, tuple[str, ...]] = {"vertical": RIDE, "lateral": (*LATERAL, *ROLL)}


@dataclass(frozen=True)
class Ray:
    """A broad peak of one configuration that keeps its Strouhal number."""

    family: Family
    components: tuple[str, ...]  # that show it, the clearest first
    strouhal: Interval
    bandwidth: float  # half-power, over its frequency
    length_m: float  # L of the full-size car
    name: ClassName  # "undecided": the wake's own at one wind speed, taken to scale

    @property
    def component(self) -> str:
        """What shows it clearest."""
        return self.components[0]

    @property
    def band(self) -> tuple[float, float]:
        """Strouhal numbers between which the peak has half its power or more."""
        value, half = self.strouhal.value, self.bandwidth / 2
        return value * max(1 - half, 0.0), value * (1 + half)

    def hz(self, strouhal: float, speed_m_s: float) -> float:
        """Frequency on the road, St V / L."""
        return strouhal * speed_m_s / self.length_m


def rays(results: Sequence[RunResult], length_m: float) -> tuple[Ray, ...]:
    """Peaks of one configuration that shed and scale, each pooled over the runs that follow it.

    Of each family's components the one that shows a peak in most runs gives the numbers. Where no
    peak of the wake's own family could be followed, as at one wind speed, the peak that every run
    names the wake's own is taken to scale.

    Parameters
    ----------
    results : followed (`follow`), of the runs of one configuration with wind and model
    length_m : Strouhal length of the full-size car
    """
    found = []
    for family, words in WORDS.items():
        measures = {q.quantity.name: q.quantity.measures for r in results for q in r.quantities}
        gathered, _ = tracks([_with_only(result, words) for result in results])
        found += [_ray(track, family, measures, length_m) for track in gathered if _sheds(track)]
    own = _own(results, length_m)
    if own is not None and own.family not in {ray.family for ray in found}:
        found.append(own)
    return tuple(found)


def _with_only(result: RunResult, words: Sequence[str]) -> RunResult:
    told = tuple(one for one in result.quantities if one.quantity.measures in words)
    return replace(result, quantities=told)


def _sheds(track: Track) -> bool:
    """Broad, of the flow, and no wider than a wake that sheds."""
    if track.name != SCALES or track.narrow or track.source is not None:
        return False
    return track.strouhal is not None and _bandwidth(track.clearest) * LOWEST_SHEDDING_Q < 1


def _ray(track: Track, family: Family, measures: dict[str, str], length_m: float) -> Ray:
    assert track.strouhal is not None
    names = (track.clearest[0].quantity, *track.quantities)
    components = tuple(dict.fromkeys(measures[name] for name in names))
    bandwidth = _bandwidth(track.clearest)
    return Ray(family, components, track.strouhal, bandwidth, length_m, SCALES)


def _bandwidth(seen: Sequence[Seen]) -> float:
    """Relative, over the runs."""
    peaks = [one.peak for one in seen]
    return pooled([p.bandwidth_hz.scaled(1 / p.frequency_hz.value) for p in peaks]).value


def _own(results: Sequence[RunResult], length_m: float) -> Ray | None:
    """The wake's own frequency as the runs name it; None where no force shows it broad."""
    named: dict[Family, list[tuple[str, Interval, Interval]]] = {}
    for result in results:
        own = result.fundamental
        if own is None or result.strouhal is None or not own.bandwidth_hz.value > 0:
            continue
        word = next(
            q.quantity.measures for q in result.quantities if q.quantity.name == own.channel
        )
        width = own.bandwidth_hz.scaled(1 / own.frequency_hz.value)
        if (pushed := family_of(word)) is not None:
            named.setdefault(pushed, []).append((word, result.strouhal, width))
    if not named:
        return None
    family = max(named, key=lambda one: len(named[one]))
    words, numbers, widths = zip(*named[family], strict=True)
    components = tuple(dict.fromkeys(words))
    return Ray(family, components, pooled(numbers), pooled(widths).value, length_m, UNDECIDED)


def family_of(component: str) -> Family | None:
    """Which modes a component pushes; None of a pressure or an axle's share."""
    return next((family for family, words in WORDS.items() if component in words), None)
