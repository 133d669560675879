"""What `resonance` says on a terminal; formats, computes nothing but what lines to suggest."""

from __future__ import annotations

from collections.abc import Iterator

from buffet.phrases import by_reason, listed
from buffet.resonance.estimate import CampaignResonance
from buffet.resonance.result import (
    AMPLITUDE_ERRORS,
    ChannelResonance,
    Mode,
    RunResonance,
    best_of_each,
)
from buffet.terminal import paragraph, span, table

HEADER = ("channel", "f_n, Hz", "damping", "from", "share")
METHODS = {
    "tap": "Tap test: damped oscillations fitted to each decay after a strike.",
    "wind-off": "Record without wind: a resonance fitted to the spectrum.",
}


def resonance_text(found: CampaignResonance) -> str:
    """A table a run, what else there is to say, and the lines for the run sheets."""
    parts = [paragraph(found.title)]
    for run in found.runs:
        parts += _run_parts(run)
    best = best_of_each(found.runs)
    if best:
        parts += [_lines(best), _effects(best)]
    return "\n\n".join(parts)


def _run_parts(run: RunResonance) -> Iterator[str]:
    head = f"run {run.run.number}, {run.duration_s:.3g} s. {METHODS[run.kind]} Intervals: 95 %."
    if run.kind == "tap":
        head += f" Strikes: {len(run.strikes_s)}."
    elif run.segment_s is not None:
        head += f" Segments of {run.segment_s:.3g} s."
    yield paragraph(head)
    rows = [row for one in run.channels for row in _rows(one)]
    if rows:
        yield table(HEADER, rows, gap=" ")
    parts = (_shared, _explained, _none, _left_out, _changes, _stated, _below, _lines_seen)
    if told := [text for part in parts for text in part(run)]:
        yield "\n".join(map(paragraph, told))


def _rows(one: ChannelResonance) -> Iterator[tuple[str, ...]]:
    for i, mode in enumerate(one.modes):
        yield (
            one.channel.name if i == 0 else "",
            span(mode.natural_frequency_hz),
            span(mode.damping),
            _from(one, mode),
            f"{mode.share:.0%}",
        )


def _from(one: ChannelResonance, mode: Mode) -> str:
    if one.kind == "wind-off":
        return "PSD"
    return f"{mode.count} decay{'s'[: mode.count > 1]}"


def _shared(run: RunResonance) -> Iterator[str]:
    if run.groups:
        shared = "; ".join(f"{hz:.4g} Hz: {listed(names)}" for hz, names in run.groups)
        yield f"One mode in several channels: {shared}."


def _explained(run: RunResonance) -> Iterator[str]:
    """How well the decays are described, and the simple check of the damping."""
    shares = [one.explained for one in run.channels if one.explained is not None]
    if shares:
        ends = dict.fromkeys(f"{100 * share:.1f}" for share in (min(shares), max(shares)))
        yield f"The fits explain {' to '.join(ends)} % of the decays' energy."
    checks = [
        f"{one.channel.name} {one.decrement:.2g}"
        for one in run.channels
        if one.decrement is not None
    ]
    if checks:
        yield (
            "Damping by the logarithmic decrement, a rough check that takes all modes for one: "
            f"{', '.join(checks)}."
        )


def _none(run: RunResonance) -> Iterator[str]:
    lacking = ((one.why, one.channel.name) for one in run.channels if not one.modes)
    for why, names in by_reason(lacking).items():
        yield f"No resonance stands out in {listed(names)}: {why}."


def _left_out(run: RunResonance) -> Iterator[str]:
    """One line a reason and strike, with the channels."""
    lost = (
        ((strike.time_s, strike.why), one.channel.name)
        for one in run.channels
        for strike in one.left_out
    )
    for (time_s, why), names in sorted(by_reason(lost).items()):
        yield f"Strike at {time_s:.1f} s left out in {listed(names)}: {why}."
    if any(mode.count == 1 for one in run.channels for mode in one.modes) and run.kind == "tap":
        yield "One strike does not tell how strikes scatter: strike three times or more."


def _changes(run: RunResonance) -> Iterator[str]:
    for one in run.channels:
        told = () if one.change is None else one.change.told()
        if told:
            yield (
                f"{one.channel.name}: as the decay gets smaller, {' and '.join(told)}: the rig is "
                "not quite linear, so strike it as hard as the wind shakes it."
            )


def _stated(run: RunResonance) -> Iterator[str]:
    """Where the sheet says so already: whether it agrees, and by how much it does not."""
    for one in run.channels:
        mode, stated = one.strongest, one.channel
        if mode is None or stated.natural_frequency_hz is None:
            continue
        off = stated.natural_frequency_hz / mode.natural_frequency_hz.value - 1
        text = f"{stated.natural_frequency_hz:.4g} Hz ({off:+.2%})"
        if stated.damping is not None:
            off = stated.damping / mode.damping.value - 1
            text += f" and damping {stated.damping:.3g} ({off:+.0%})"
        verdict = "in agreement" if one.agrees else "outside the intervals"
        yield f"{stated.name}: the sheet states {text}, {verdict}."


def _below(run: RunResonance) -> Iterator[str]:
    """A correction takes out one mode."""
    for one in run.channels:
        reach = run.corrected_to_hz(one)
        lower = [m.natural_frequency_hz.value for m in one.modes[1:]]
        if reach is not None and (inside := [hz for hz in lower if hz < reach]):
            named = listed([f"{hz:.4g} Hz" for hz in inside])
            yield (
                f"{one.channel.name}: the sheet can state one mode alone, and {named} lies in the "
                "band that would be left."
            )


def _lines_seen(run: RunResonance) -> Iterator[str]:
    """What stands out and is no resonance."""
    seen = dict.fromkeys(line for one in run.channels for line in one.lines)
    names = {line: [o.channel.name for o in run.channels if line in o.lines] for line in seen}
    for line in seen:
        yield f"No resonance: {line} in {listed(names[line])}."


def _lines(best: tuple[tuple[RunResonance, ChannelResonance], ...]) -> str:
    parts = ["For the [[channel]] tables of the run sheets:"]
    for run, one in best:
        frequency, damping = suggestion(one)
        parts.append(
            f"\n# {one.channel.name}, from run {run.run.number}\n"
            f'natural_frequency = "{frequency} Hz"\ndamping = {damping}'
        )
    return "\n".join(parts)


def suggestion(one: ChannelResonance) -> tuple[str, str]:
    """Natural frequency and damping as a run sheet may state them, no finer than they are known."""
    mode = one.modes[0]
    frequency, damping = mode.natural_frequency_hz.text(), mode.damping.text()
    return frequency.split(" ")[0], damping.split(" ")[0]


def _effects(best: tuple[tuple[RunResonance, ChannelResonance], ...]) -> str:
    rows = []
    for run, one in best:
        reached = [run.reached_hz(one, error) for error in AMPLITUDE_ERRORS]
        corrected = f"{run.corrected_to_hz(one):.3g}"
        cells = ["-" if value is None else f"{value:.3g}" for value in reached]
        rows.append((one.channel.name, *cells, corrected))
    header = ("channel", *(f"{error:.0%} too large, Hz" for error in AMPLITUDE_ERRORS))
    text = (
        "Uncorrected, a reading is too large by 5 and 10 % at these frequencies (model scale); "
        "with both lines stated the resonance is taken out, up to the last column."
    )
    return f"{paragraph(text)}\n{table((*header, 'corrected to, Hz'), rows)}"
