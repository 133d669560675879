"""What is said of the cabin's pressure on a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from buffet.cabin.part import CabinLevels, LevelSpectrum
from buffet.interval import Interval
from buffet.phrases import listed
from buffet.terminal import KM_H, paragraph, table

MOST_COLUMNS = 4  # of levels; --json has all


def text(found: CabinLevels) -> str:
    """One line a one-third octave, in the tunnel and on the road, and the levels of all."""
    head = "Cabin pressure: levels of one-third octaves (IEC 61260-1), dB re 20 µPa"
    if found.road_speed_m_s is not None:
        head += f"; road: the full-size car at {found.road_speed_m_s * KM_H:.0f} km/h"
    columns = _columns(found)
    shown = dict(list(columns.items())[:MOST_COLUMNS])
    parts = [
        paragraph(f"{head}."),
        table(("Hz", *shown), list(_rows(list(shown.values())))),
        *map(paragraph, _remarks(found, len(columns) - len(shown))),
    ]
    return "\n".join(parts)


def _columns(found: CabinLevels) -> dict[str, LevelSpectrum]:
    """By heading."""
    columns: dict[str, LevelSpectrum] = {}
    for one in found.channels:
        columns[f"{one.name}, tunnel"] = one.measured
        if one.road is not None:
            columns[f"{one.name}, road"] = one.road
    return columns


def _rows(spectra: Sequence[LevelSpectrum]) -> Iterator[tuple[str, ...]]:
    levels = [{band.number: level for band, level in one.bands} for one in spectra]
    names = {band.number: band.label for one in spectra for band, _ in one.bands}
    for number in sorted(names):
        yield (names[number], *(_level(one, number) for one in levels))
    yield ("overall", *(_decibels(one.overall) for one in spectra))
    if any(one.g_weighted is not None for one in spectra):
        yield ("G-weighted", *(_g_weighted(one) for one in spectra))


def _level(levels: dict[int, Interval | None], number: int) -> str:
    return _decibels(levels[number]) if number in levels else ""


def _decibels(level: Interval | None) -> str:
    """Tenths, which is what levels are told in."""
    if level is None:
        return "-"
    low, high = ("?" if end is None else f"{end:.1f}" for end in (level.low, level.high))
    return f"{level.value:.1f} ({low}…{high})"


def _g_weighted(one: LevelSpectrum) -> str:
    least = "" if one.g_is_whole or one.g_weighted is None else "at least "
    return f"{least}{_decibels(one.g_weighted)}"


def _remarks(found: CabinLevels, left_out: int) -> Iterator[str]:
    for where, one in (("Tunnel", found.channels[0].measured), ("Road", found.channels[0].road)):
        if one is not None:
            low, high = one.usable_hz
            yield (
                f"{where}: {low:.2g} to {high:.3g} Hz can be used; bands narrower than "
                f"{one.resolution_hz:.2g} Hz, to which the spectrum resolves, or reaching beyond "
                "are left out."
            )
    measured = found.channels[0].measured
    if measured.g_why is not None:
        yield f"No G-weighting (ISO 7196) in the tunnel: {measured.g_why}."
    if found.unlike:
        yield (
            "Not as on the road, so that a resonance of the cabin does not carry over: "
            f"{'; '.join(found.unlike)}."
        )
    if found.dead:
        yield f"Left out, never changed: {listed(found.dead)}."
    if left_out:
        yield f"{left_out} more columns: --json has all."
