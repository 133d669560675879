"""What is wanted of the next campaign, and what it is planned on where nothing was stated."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from math import isfinite
from typing import Any, NamedTuple

from buffet.errors import PlanError
from buffet.planning.records import MOST_REPEATS
from buffet.planning.sampling import FILTER_ORDER
from buffet.spectral.resolution import TYPICAL_Q
from buffet.spectral.strouhal import LOWEST_SHEDDING_Q
from buffet.spectral.tracks import SCATTER
from buffet.usable_band import NEEDED_FROM_HZ, WANTED_HZ

KM_H = 3.6
Pair = tuple[float, float]


@dataclass(frozen=True)
class Wishes:
    """What the engineer states; None is left to the earlier campaign or to a stated default."""

    scale: float | None = None  # model length over full-scale length
    strouhal_length_m: float | None = None  # of the model
    # One is the fastest of a sweep that is chosen; several are taken as they are.
    wind_speeds_m_s: tuple[float, ...] = ()
    road_speeds_m_s: Pair | None = None
    band_hz: Pair | None = None  # road frequencies that must be told at every road speed
    strouhal: float | None = None
    quality: float | None = None  # of the shedding peak, its frequency over half-power bandwidth
    peak_share: float | None = None  # of the variance in the band
    rms_within: float | None = None  # half of the 95 % interval, relative
    strouhal_within: float | None = None
    onset_within: float | None = None
    growth: float | None = None  # power of the road speed with which the rated motion grows
    run_to_run: float | None = None  # relative standard deviation of the RMS
    strouhal_scatter: float | None = None  # likewise of the Strouhal number
    speed_scatter: float | None = None  # of the RMS coefficient between wind speeds
    repeats: int | None = None
    longest_run_s: float | None = None
    run_overhead_s: float | None = None  # tunnel time of a run beside its record
    refit_s: float | None = None
    channels: int | None = None
    bytes_per_value: float | None = None
    highest_rate_hz: float | None = None  # of the logger
    filter_order: int | None = None
    natural_frequency_hz: float | None = None  # of the balance with the model on it
    model_mass_kg: float | None = None
    tube_bore_m: float | None = None
    tube_volume_m3: float | None = None
    configurations: tuple[str, ...] = ()


class Default(NamedTuple):
    """What stands in for a wish, and why."""

    value: Any
    why: str


JUDGEMENT = "engineering judgement"
DEFAULTS: Mapping[str, Default] = {
    "road_speeds_m_s": Default(
        (80 / KM_H, 160 / KM_H), f"where cars are driven steadily; {JUDGEMENT}"
    ),
    "band_hz": Default((NEEDED_FROM_HZ, WANTED_HZ), "what the vertical criteria look at"),
    "strouhal": Default(0.2, f"car wakes shed at 0.1 to 0.3 on body height; {JUDGEMENT}"),
    "quality": Default(TYPICAL_Q, f"shedding peaks of car wakes are broad; {JUDGEMENT}"),
    "peak_share": Default(0.7, f"a wake that sheds strongly; {JUDGEMENT}"),
    "rms_within": Default(0.05, "as `spectra --what length` takes it"),
    "strouhal_within": Default(0.03, "a mode of the car is not known better"),
    "onset_within": Default(0.10, "10 km/h in 100 decide nothing"),
    "growth": Default(
        1.5,
        "force with the square of the road speed, the road's shaking with its root (ISO 8608, "
        "w = 2), the car's response taken as even",
    ),
    "run_to_run": Default(0.02, f"an add-on taken off and fitted again; {JUDGEMENT}"),
    "strouhal_scatter": Default(SCATTER, f"as peaks are classed with; {JUDGEMENT}"),
    "speed_scatter": Default(0.02, f"a wake that hardly hangs on the wind speed; {JUDGEMENT}"),
    "longest_run_s": Default(600.0, f"zeros drift over longer; {JUDGEMENT}"),
    "run_overhead_s": Default(120.0, f"wind up, settle, wind down; {JUDGEMENT}"),
    "refit_s": Default(1800.0, f"fitting the next add-on; {JUDGEMENT}"),
    "channels": Default(16, f"five of a balance, eleven taps; {JUDGEMENT}"),
    "bytes_per_value": Default(4.0, "a 24-bit logger's integer, or a float in single precision"),
    "filter_order": Default(FILTER_ORDER, f"Butterworth, as loggers have; {JUDGEMENT}"),
    "tube_bore_m": Default(1.5e-3, "usual for models (common practice, no source)"),
    "tube_volume_m3": Default(300e-9, f"a small sensor's; {JUDGEMENT}"),
    "configurations": Default(("baseline",), "no add-on was named"),
}
# Without which nothing can be planned, and how each is stated.
REQUIRED = {
    "scale": "--scale 0.30",
    "strouhal_length_m": '--length "0.435 m"',
    "wind_speeds_m_s": '--wind-speed "50 m/s"',
}
OPTIONAL = ("repeats", "highest_rate_hz", "natural_frequency_hz", "model_mass_kg")
ASKED, EARLIER = "as asked", "earlier campaign"


@dataclass(frozen=True)
class Premise:
    """One value that the plan rests on."""

    key: str  # a field of `Wishes`
    value: Any
    source: str  # ASKED, EARLIER, or why the default stands

    @property
    def is_default(self) -> bool:
        """Whether nobody stated or measured it."""
        return self.source not in (ASKED, EARLIER)


@dataclass(frozen=True)
class Premises:
    """All of them, by key."""

    told: tuple[Premise, ...]

    def __getitem__(self, key: str) -> Any:
        return next((one.value for one in self.told if one.key == key), None)

    @property
    def defaults(self) -> tuple[Premise, ...]:
        """Those that nobody stated or measured."""
        return tuple(one for one in self.told if one.is_default)

    def without(self, keys: Collection[str]) -> Premises:
        """Without the defaults of these, which the plan does not rest on."""
        return Premises(tuple(one for one in self.told if not (one.is_default and one.key in keys)))

    def is_asked(self, *keys: str) -> bool:
        """Whether any of these was asked for."""
        return any(one.key in keys and one.source == ASKED for one in self.told)


def settle(wishes: Wishes, earlier: Mapping[str, Any]) -> Premises:
    """Each value as asked, else as the earlier campaign has it, else its default.

    Raises
    ------
    PlanError
        Something is missing that has no default, or cannot be.
    """
    told = []
    for key in (field.name for field in fields(Wishes)):
        asked, known = getattr(wishes, key), earlier.get(key)
        if asked is not None and asked != ():
            told.append(Premise(key, asked, ASKED))
        elif known is not None and known != ():
            told.append(Premise(key, known, EARLIER))
        elif key in DEFAULTS:
            told.append(Premise(key, *DEFAULTS[key]))
    premises = Premises(tuple(told))
    missing = [f"{_words(k)} ({how})" for k, how in REQUIRED.items() if premises[k] is None]
    if missing:
        raise PlanError(f"a plan needs {', '.join(missing)}; state it, or name an earlier campaign")
    _require_possible(premises)
    return premises


def _words(key: str) -> str:
    """ "wind_speeds_m_s" as "wind speeds"."""
    for unit in ("_m_s", "_m3", "_kg", "_hz", "_m", "_s"):
        key = key.removesuffix(unit)
    return key.replace("_", " ")


def _require_possible(premises: Premises) -> None:
    for one in premises.told:
        if one.key == "configurations":
            _require_names(one.value)
            continue
        values = one.value if isinstance(one.value, tuple) else (one.value,)
        for value in values:
            if not (isfinite(value) and value > 0):
                raise PlanError(f"{_words(one.key)}: got {value:g}; wanted more than zero")
        if one.key in ("road_speeds_m_s", "band_hz") and not values[0] < values[1]:
            raise PlanError(
                f"{_words(one.key)}: got {values[0]:.4g} to {values[1]:.4g} "
                f"{'m/s' if one.key.endswith('_m_s') else 'Hz'}; wanted the lower first, and "
                "another one above it"
            )
    _at_most(premises, "scale", 1.0, "the model's length over the car's")
    for key in ("rms_within", "strouhal_within", "onset_within", "peak_share"):
        _at_most(premises, key, 0.99, "a share")
    for key in ("run_to_run", "strouhal_scatter", "speed_scatter"):
        _at_most(premises, key, 1.0, "a relative standard deviation")
    _at_most(premises, "repeats", MOST_REPEATS, "runs of one configuration at one wind speed")
    if premises["quality"] < LOWEST_SHEDDING_Q:
        raise PlanError(
            f"quality: got {premises['quality']:g}; wanted {LOWEST_SHEDDING_Q:g} or more: a wider "
            "hump is no shedding peak"
        )


def _at_most(premises: Premises, key: str, most: float, what: str) -> None:
    if premises[key] is not None and premises[key] > most:
        raise PlanError(f"{_words(key)}: got {premises[key]:g}; wanted {most:g} at most, {what}")


def _require_names(names: Sequence[str]) -> None:
    empty = [name for name in names if not name.strip()]
    twice = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    if empty or twice:
        given = "an empty name" if empty else f"{twice[0]!r} twice"
        raise PlanError(f"configurations: got {given}; wanted a name of its own for each")
