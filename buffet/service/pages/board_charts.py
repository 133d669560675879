"""Charts of the board: criteria and crossings over road speed, and strips of verdicts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, NamedTuple

from markupsafe import Markup, escape

from buffet.rating.criteria import LEVEL_UNIT
from buffet.report.wording import MARKS, NONE, significant, spanned
from buffet.service.pages.board_view import KM_H, Document, interval_of, speeds_km_h
from buffet.service.pages.chart import Chart, Curve, Level, Span, Table

ROAD_SPEED = "Road speed, km/h"
# Widths for a page and for a phone, on which the letters of the first would be too small.
WIDE, NARROW = 960, 340
ROW, STRIP, AXIS = 46, 20, 36
SIDE = 16  # left and right of the strips
LETTER = 7.2  # width of a letter in a strip, about


def criterion_charts(board: Document, place: int) -> tuple[Chart, ...]:
    """One of each criterion that any configuration has."""
    made = (_criterion_chart(board, i, place) for i in range(len(board["criteria"])))
    return tuple(chart for chart in made if chart is not None)


def _criterion_chart(board: Document, i: int, place: int) -> Chart | None:
    row = board["criteria"][i]
    every = [(k, one, one["criteria"][i]) for k, one in enumerate(board["configurations"])]
    known = [(k, one, own) for k, one, own in every if any(v is not None for v in own["value"])]
    if not known:
        return None
    speeds = speeds_km_h(board)
    unit = "" if row["unit"] == "1" else f", {row['unit']}"
    onsets = "; ".join(f"{one['name']}: {_onset(own)}" for _, one, own in known)
    return Chart(
        f"criterion-{i}",
        f"{row['id']} over road speed",
        f"{row['motion']}. Possible from {row['limit_possible']:g}, likely from "
        f"{row['limit_likely']:g}{unit}. Onset: {onsets}.",
        ROAD_SPEED,
        f"{row['id']}{unit}",
        speeds,
        tuple(
            Curve(one["name"], k, own["value"], own["low"], own["high"]) for k, one, own in known
        ),
        (Level(row["limit_possible"], "possible"), Level(row["limit_likely"], "likely")),
        y_log=row["unit"] != LEVEL_UNIT,
        at_x=speeds[place],
        caption=f"{row['motion'][:1].upper()}{row['motion'][1:]}. Limits: {row['source']}.",
        table=_criterion_table(speeds, known),
    )


def _onset(own: Document) -> str:
    reached = interval_of(own["onset_speed_m_s"])
    return (
        own["onset_why"] or "none" if reached is None else f"{spanned(reached, '.0f', KM_H)} km/h"
    )


def _criterion_table(
    speeds: Sequence[float], known: Sequence[tuple[int, Document, Document]]
) -> Table:
    header = ("km/h", *(one["name"] for _, one, _ in known))
    rows = []
    for i, speed in enumerate(speeds):
        cells = [spanned(interval_of(_at(own, i))) for _, _, own in known]
        rows.append((f"{speed:.0f}", *cells))
    return Table(header, tuple(rows))


def _at(own: Document, i: int) -> Document:
    """A curve's interval at one speed."""
    return {"level": own["level"]} | {key: own[key][i] for key in ("value", "low", "high")}


def crossing_chart(board: Document, place: int) -> Chart | None:
    """Peaks of every wake and modes of the car over road speed; None without any peak."""
    speeds = speeds_km_h(board)
    modes = [
        Curve(mode["name"], -1, mode["frequency_hz"], end_label=mode["name"])
        for mode in board["modes"]
    ]
    peaks = [
        Curve(_peak_name(one, ray), k, ray["frequency_hz"], ray["low_hz"], ray["high_hz"])
        for k, one in enumerate(board["configurations"])
        for ray in one["rays"]
    ]
    if not peaks:
        return None
    told = [_meetings(one) for one in board["configurations"]]
    return Chart(
        "crossings",
        "Shedding peaks and modes of the car over road speed",
        " ".join(told),
        ROAD_SPEED,
        "Frequency, Hz",
        speeds,
        (*modes, *peaks),
        y_log=True,
        at_x=speeds[place],
        caption=(
            "Bands: half-power widths of the peaks. Where a peak meets a mode, the wake pushes the "
            "car at the car's own frequency. The model is held rigid: whether the car's motion "
            "would then hold the wake at that frequency is not told."
        ),
        table=_crossing_table(board),
    )


def _peak_name(one: Document, ray: Document) -> str:
    return f"{one['name']}: {ray['component']}"


def _meetings(one: Document) -> str:
    met = [crossing for crossing in one["crossings"] if crossing["speed_m_s"] is not None]
    told = ", ".join(
        f"{crossing['mode']} at {crossing['speed_m_s']['value'] * KM_H:.0f} km/h"
        for crossing in met
    )
    return f"{one['name']} meets {told}." if told else f"{one['name']} meets no mode."


def _crossing_table(board: Document) -> Table:
    header = ("Configuration", "Peak in", "Strouhal number", "Mode", "Mode, Hz", "Meet at, km/h",
              "Bands overlap, km/h")  # fmt: skip
    rows = [
        (
            one["name"],
            met["component"],
            spanned(interval_of(met["strouhal"]), ".3f"),
            met["mode"],
            significant(met["mode_frequency_hz"]),
            spanned(interval_of(met["speed_m_s"]), ".0f", KM_H),
            " to ".join(f"{speed * KM_H:.0f}" for speed in met["overlap_m_s"]),
        )
        for one in board["configurations"]
        for met in one["crossings"]
    ]
    return Table(header, tuple(rows) or ((NONE,) * len(header),))


class Strip(NamedTuple):
    """Road speeds with one verdict, km/h."""

    verdict: str
    low: float
    high: float


def strips(one: Document, speeds: Sequence[float]) -> list[Strip]:
    """A configuration's verdicts, each to halfway between the speeds at which it changes."""
    found: list[Strip] = []
    places = range(len(speeds))
    for verdict, members in groupby(places, key=lambda i: one["at"][i]["verdict"]):
        own = list(members)
        first, last = own[0], own[-1]
        low = speeds[first] if first == 0 else (speeds[first - 1] + speeds[first]) / 2
        is_end = last == len(speeds) - 1
        high = speeds[last] if is_end else (speeds[last] + speeds[last + 1]) / 2
        found.append(Strip(str(verdict), low, high))
    return found


def strip_text(one: Document, speeds: Sequence[float]) -> str:
    """ "unlikely 60 to 88, possible 88 to 220 km/h"."""
    told = [f"{s.verdict} {s.low:.0f} to {s.high:.0f}" for s in strips(one, speeds)]
    return f"{', '.join(told)} km/h"


def strips_svg(board: Document, place: int, width: int) -> Markup:
    """Verdicts of every configuration over road speed, with the speed shown."""
    speeds = speeds_km_h(board)
    span = Span(speeds[0], max(speeds[-1], speeds[0] + 1), False)
    rows = _Rows(span, width)
    every = board["configurations"]
    height = ROW * len(every) + AXIS
    told = ". ".join(f"{one['name']}: {strip_text(one, speeds)}" for one in every)
    parts = [part for i, one in enumerate(every) for part in rows.row(one, i, speeds)]
    parts += rows.speeds(ROW * len(every))
    return Markup(
        f'<svg viewBox="0 0 {width} {height}" role="img" '
        f'aria-labelledby="strips-title-{width} strips-desc-{width}">'
        f'<title id="strips-title-{width}">Verdicts over road speed</title>'
        f'<desc id="strips-desc-{width}">{escape(told)}</desc>{"".join(parts)}'
        f'<path class="at" data-left="{SIDE}" data-right="{width - SIDE}" data-low="{span.low:g}" '
        f'data-high="{span.high:g}" d="M{rows.x(speeds[place]):.1f} 0V{height - AXIS + 6}"/></svg>'
    )


@dataclass(frozen=True)
class _Rows:
    """A row a configuration over one axis of speeds."""

    span: Span
    width: int

    def x(self, speed: float) -> float:
        return SIDE + self.span.share(speed) * (self.width - 2 * SIDE)

    def row(self, one: Document, i: int, speeds: Sequence[float]) -> Iterator[str]:
        top = ROW * i + 20
        yield f'<text class="start" x="{SIDE}" y="{top - 5}">{escape(one["name"])}</text>'
        for strip in strips(one, speeds):
            low, high = self.x(strip.low), self.x(strip.high)
            css = escape(strip.verdict)
            yield (
                f'<rect class="strip {css}" x="{low:.1f}" y="{top}" '
                f'width="{high - low:.1f}" height="{STRIP}"/>'
            )
            word, middle = _fitting(strip.verdict, high - low), (low + high) / 2
            if word:
                place = f'x="{middle:.1f}" y="{top + 14}"'
                yield f'<text class="in {css}" {place}>{escape(word)}</text>'

    def speeds(self, top: float) -> list[str]:
        ticks = [tick for tick in self.span.ticks() if tick % 1 == 0]
        return [
            *(
                f'<text class="middle" x="{self.x(tick):.1f}" y="{top + 18}">{tick:g}</text>'
                for tick in ticks
            ),
            f'<text class="middle" x="{self.width / 2}" y="{top + 33}">{ROAD_SPEED}</text>',
        ]


def _fitting(verdict: str, width: float) -> str:
    """The word with its shape, the shape alone, or nothing."""
    shape = next(mark.shape for mark in MARKS.values() if mark.word == verdict)
    options = (f"{shape} {verdict}", shape, "")
    return next(text for text in options if len(text) * LETTER <= width or not text)


def legend(board: Document) -> list[dict[str, Any]]:
    """Line style and name of each configuration."""
    return [{"style": k, "name": one["name"]} for k, one in enumerate(board["configurations"])]
