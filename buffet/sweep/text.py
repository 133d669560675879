"""A sweep of wind speeds as text for a terminal; formats, computes nothing."""

from __future__ import annotations

from collections.abc import Sequence

from buffet.phrases import by_reason, from_to, listed
from buffet.spectral.tracks import FIXED
from buffet.sweep.sweep import ConfigurationSweep, Sweep, one_speed_alone
from buffet.sweep.tracks import Track
from buffet.sweep.trend import SETTLED, SIGNIFICANCE, Point, Trend
from buffet.terminal import corrected, number, paragraph, span, table

TOLD_SHARE = 0.005  # of a variance, from which it is said to be taken out
MOST_SPEEDS = 4  # columns of RMS values that fit the width
ONE_SPEED = (
    "Every configuration was run at one wind speed: whether peaks scale with it, and whether RMS "
    "coefficients still change, is not known. Run at least two, better three, a third apart."
)
MEANING = (
    "A peak that scales keeps its Strouhal number (the wake if broad; fan, belt or wheel if a "
    "line), a fixed one its frequency (rig or mains). St ±%, Hz ±%: relative standard deviation of "
    "either over the runs; +: further quantities that show the peak. RMS: up to one Strouhal "
    "number at all speeds, without fixed peaks and lines of known source; rig peaks of undecided "
    "class are still in it. % per doubling: its change with the Reynolds number over all speeds, "
    "at top between the two highest. Still changing: in either, at p < "
    f"{SIGNIFICANCE:g} over all rows together (Holm), however little; settled: otherwise, if over "
    f"all speeds the whole interval lies within ±{SETTLED:.0%} and that at top holds 0; no change "
    "shown: neither, a change of the interval's size would not show."
)


def sweep_text(sweep: Sweep) -> str:
    """Every configuration's peaks and RMS coefficients over its wind speeds."""
    parts = [_configuration(one) for one in sweep.configurations]
    if one_speed_alone(sweep.configurations):
        parts.append(paragraph(ONE_SPEED))
    elif parts:
        parts.append(paragraph(MEANING + corrected(sweep.analysis.blockage)))
    parts += [f"{name}: left out, no run of known wind speed." for name in sweep.left_out]
    return "\n\n".join(parts) or "No run with wind."


def _configuration(one: ConfigurationSweep) -> str:
    speeds = listed([f"{speed:.0f}" for speed in one.speeds_m_s])
    yaw = f", yaw {one.yaw_deg:.3g} deg" if one.yaw_rad else ""
    reynolds = ""
    if one.reynolds:
        reynolds = f", Reynolds number {from_to(one.reynolds, '.2g')}"
    n = len(one.runs)
    head = f"{one.configuration}{yaw}: {n} run{'s' if n > 1 else ''} at {speeds} m/s{reynolds}"
    parts = [paragraph(head)]
    if one.tracks:
        parts.append(_tracks(one.tracks))
    if one.undecided:
        parts.append(_undecided(one))
    if one.trends:
        parts.append(_trends(one))
    return "\n\n".join(parts)


def _tracks(tracks: Sequence[Track]) -> str:
    rows = []
    for track in tracks:
        hz = [seen.peak.frequency_hz.value for seen in track.clearest]
        of_hz, of_strouhal = track.spreads
        is_fixed = track.name == FIXED
        value = track.frequency_hz if is_fixed or track.strouhal is None else track.strouhal
        unit = "Hz" if is_fixed or track.strouhal is None else "St"
        others = len(track.quantities) - 1
        rows.append(
            (
                f"{'line' if track.narrow else 'broad'}, {'fixed' if is_fixed else 'scales'}",
                f"{unit} {span(value)}",
                f"{min(hz):.3g} to {max(hz):.3g}",
                "-" if of_strouhal is None else f"{100 * of_strouhal:.1f}",
                "-" if of_hz is None else f"{100 * of_hz:.1f}",
                track.clearest[0].quantity + (f" +{others}" if others else ""),
            )
        )
    header = ("peak", "value", "Hz", "St ±%", "Hz ±%", "seen in")
    named = [f"{track.source}" for track in tracks if track.source]
    text = table(header, rows, gap=" ")
    return f"{text}\n{paragraph(f'Lines at the rate of: {listed(named)}.')}" if named else text


def _undecided(one: ConfigurationSweep) -> str:
    n = len(one.undecided)
    names = listed(list(dict.fromkeys(seen.quantity for seen in one.undecided)))
    return paragraph(f"{n} more peak{'s' if n > 1 else ''} of undecided class, in {names}.")


def _trends(one: ConfigurationSweep) -> str:
    shown = _columns(one.speeds_m_s)
    rows = [
        (
            trend.quantity,
            *(number(_mean_rms(trend.points, speed), ".3g") for speed in shown),
            _percent(trend, top=False),
            _percent(trend, top=True),
            trend.statement,
        )
        for trend in one.trends
    ]
    header = ("RMS, m/s:", *(f"{speed:.0f}" for speed in shown), "% per doubling", "at top", "")
    return f"{table(header, rows, gap=' ')}\n{paragraph(_counted(one.trends))}"


def _counted(trends: Sequence[Trend]) -> str:
    """Up to where the RMS values go, and the largest share that is left out of them."""
    ends = by_reason((_end(trend), trend.quantity) for trend in trends)
    alike = len(ends) == 1
    text = "; ".join(end if alike else f"{end}: {listed(ends[end])}" for end in ends)
    share, name = max((p.taken_out, t.quantity) for t in trends for p in t.points)
    out = "nothing of it"
    if share >= TOLD_SHARE:
        out = f"at most {share:.0%} of the variance ({name}) in peaks that are not the flow's"
    return f"RMS up to {text}. Taken out: {out}.{_not_clear(trends)}"


def _not_clear(trends: Sequence[Trend]) -> str:
    """Which speeds say nothing of a change, and of what."""
    told = (
        (f"{p.speed_m_s:.0f} m/s", t.quantity) for t in trends for p in t.points if not p.counts
    )
    by_speed = by_reason(told)
    if not by_speed:
        return ""
    text = "; ".join(f"{at}: {listed(list(dict.fromkeys(q)))}" for at, q in by_speed.items())
    return (
        " Not in the changes, as the rig's part rules there or may stand unseen under another "
        f"peak: {text}."
    )


def _end(trend: Trend) -> str:
    if trend.strouhal is None:
        return f"{trend.up_to_per_m:.3g} Hz per m/s"
    return f"St {trend.strouhal:.3g}"


def _columns(speeds: Sequence[float]) -> list[float]:
    """All speeds, or as many as fit, the lowest and the highest among them."""
    if len(speeds) <= MOST_SPEEDS:
        return list(speeds)
    step = (len(speeds) - 1) / (MOST_SPEEDS - 1)
    return [speeds[round(i * step)] for i in range(MOST_SPEEDS)]


def _mean_rms(points: Sequence[Point], speed: float) -> float | None:
    own = [point.rms.value for point in points if round(point.speed_m_s) == speed]
    return sum(own) / len(own) if own else None


def _percent(trend: Trend, *, top: bool) -> str:
    change = trend.per_doubling_at_top if top else trend.per_doubling
    return span(change, sign=True, factor=100.0)
