"""Results as text for a terminal, readable at 80 columns; formats, computes nothing."""

from __future__ import annotations

import textwrap
from collections.abc import Container, Mapping, Sequence

from buffet.analysis import Failure
from buffet.blockage import CampaignBlockage
from buffet.carrying import RATING
from buffet.cautions import cautions
from buffet.checking import Checked
from buffet.crossings.text import crossings_text
from buffet.interval import Interval
from buffet.lines_out import lines_out_text
from buffet.phrases import by_reason, from_to, listed, with_unit
from buffet.rating.rate import NOT_COVERED, ConfigurationRating, Rating
from buffet.rating.table import TableRow
from buffet.rating.unrated import not_rated
from buffet.rating.verdict import CriterionRating
from buffet.rating.wording import budget_text, felt_text, not_rated_text, onsets_text
from buffet.road_wording import road_text
from buffet.wind_wording import wind_text
from ingest import Finding

WIDTH = 80
KM_H = 3.6
UNRELIABLE = "* too few independent stretches of record for a reliable interval"


def table(header: Sequence[str], rows: Sequence[Sequence[str]], gap: str = "  ") -> str:
    """Columns as wide as their content, plain numbers to the right."""
    every = [list(header), *map(list, rows)]
    columns = list(zip(*every, strict=True))
    widths = [max(map(len, column)) for column in columns]
    to_right = [all(_is_number(cell) for cell in column[1:]) for column in columns]
    lines = [
        gap.join(
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(row, widths, to_right, strict=True)
        ).rstrip()
        for row in every
    ]
    return "\n".join([lines[0], "-" * min(max(map(len, lines)), WIDTH), *lines[1:]])


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace("-", "0") if cell == "-" else cell.lstrip("<"))
    except ValueError:
        return False
    return True


def paragraph(text: str, indent: str = "") -> str:
    """Wrapped at the terminal's width."""
    lines = textwrap.wrap(text, WIDTH - len(indent), break_on_hyphens=False)  # codes stay whole
    return "\n".join(indent + line for line in lines)


def number(value: float | None, form: str = ".3g") -> str:
    """A number, or a dash."""
    return "-" if value is None else format(value, form)


def span(value: Interval | None, *, sign: bool = False, factor: float = 1.0) -> str:
    """Value and limits, or a dash."""
    return "-" if value is None else value.text(factor=factor, sign=sign, between="…")


def rating_text(rating: Rating) -> str:
    """The verdict table, a sentence each, the criteria behind it, and the cautions."""
    head = f"{rating.analysis.campaign.title}, at {rating.speed_m_s * KM_H:.0f} km/h"
    rows = [verdict_row(one) for one in rating.configurations]
    silent = not_rated(rating)
    parts = [
        paragraph(head),
        paragraph(
            f"Car: {rating.vehicle.name} ({rating.vehicle.source}). "
            f"{road_text(rating.road, rating.road_track_m)} Criteria: {rating.criteria.source}. "
            f"Intervals: 95 %. Reynolds number on the road {rating.road_reynolds:.2g}. "
            f"Blockage: {rating.analysis.blockage.text}."
        ),
        *([paragraph(wind)] if (wind := wind_text(rating.wind)) else []),
        *_with_tunnel(rating),
        *([paragraph(told)] if (told := lines_out_text(rating.analysis.runs)) else []),
        table(("verdict", "configuration", "onset, km/h", "usable band, Hz"), rows),
        *[_explained(one, rating.speed_m_s, silent) for one in rating.configurations],
        *([paragraph(_not_rated(silent))] if silent else []),
        *[f"{name}: left out, no run could be read." for name in rating.left_out],
        "Limits: possible/likely. P above: probability of lying above each.",
        "\n".join(
            paragraph(f"Caution: {caution}")
            for caution in cautions(in_wind=rating.wind is not None)
        ),
    ]
    return "\n\n".join(parts)


def _with_tunnel(rating: Rating) -> list[str]:
    """The verdicts with the tunnel's part in, where it is taken out."""
    if rating.with_tunnel is None:
        return []
    told = ", ".join(f"{one.name} {one.verdict}" for one in rating.with_tunnel.configurations)
    head = "Rated without what follows the reference probes in the oncoming flow. With it: "
    return [paragraph(f"{head}{told}.")]


def verdict_row(one: ConfigurationRating) -> tuple[str, str, str, str]:
    """Verdict, configuration, onset and usable band."""
    onset = one.onset.speed_m_s if one.onset else None
    reached = span(onset, factor=KM_H) if onset else _no_onset(one)
    low, high = one.usable_band_hz
    return one.verdict, one.name, reached, f"{low:.2g} to {high:.3g}"


def _no_onset(one: ConfigurationRating) -> str:
    """Short enough for a column; the paragraph gives the reason."""
    return "not known" if one.onset_why == NOT_COVERED else one.onset_why


def _not_rated(silent: Mapping[str, str]) -> str:
    """Criteria that no configuration has, each reason once."""
    reasons = by_reason((why, name) for name, why in silent.items())
    told = "; ".join(f"{listed(names)}: {why}" for why, names in reasons.items())
    return f"Not rated: {told}."


def _explained(one: ConfigurationRating, speed_m_s: float, silent: Container[str]) -> str:
    """Without the criteria that are told once for all configurations."""
    told_here = [row for row in one.criteria if row.criterion.id not in silent]
    rows = [_criterion_row(row) for row in told_here]
    header = ("criterion", "metric", "limits", "P above", "verdict")
    onset = ""
    if one.onset is None or (one.onset.speed_m_s and one.onset.speed_m_s.low is None):
        onset = f" Onset: {one.onset_why}."
    text = paragraph(f"{one.name}: {one.why}{onset}{_reynolds(one)}")
    told = (
        not_rated_text(told_here),
        onsets_text(one.criteria),
        felt_text(one.curves.felt),
        crossings_text(one.crossings, speed_m_s),
        "" if one.decisive is None else budget_text(one.decisive),
    )
    return "\n".join([text, table(header, rows, gap=" "), *(paragraph(t) for t in told if t)])


def _reynolds(one: ConfigurationRating) -> str:
    if one.model_reynolds is None:
        return ""
    text = f" Model Reynolds number {from_to(one.model_reynolds, '.2g')}"
    if one.speed_spread is None:
        return f"{text}."
    return f"{text}; lift RMS varies {one.speed_spread:.1%} over it."


def _criterion_row(row: CriterionRating) -> tuple[str, ...]:
    """Limits and the probabilities of lying above them: possible / likely."""
    return (
        with_unit(row.criterion.id, row.criterion.unit),
        span(row.metric),
        f"{row.criterion.possible:g}/{row.criterion.likely:g}",
        f"{number(row.p_possible, '.2f')}/{number(row.p_likely, '.2f')}",
        row.verdict or "-",
    )


def table_text(rows: Sequence[TableRow], rating: Rating) -> str:
    """The road-speed table, a part a configuration."""
    parts = []
    for name in dict.fromkeys(row.configuration for row in rows):
        own = [row for row in rows if row.configuration == name]
        body = [
            (
                f"{row.speed_km_h:.0f}",
                number(row.drag_n, ".0f"),
                number(row.front_lift_n, ".0f"),
                number(row.rear_lift_n, ".0f"),
                number(row.lift_rms_n, ".1f"),
                number(row.rear_lift_rms_n, ".1f"),
                number(row.side_force_rms_n, ".1f"),
                number(row.peak_frequency_hz, ".2f"),
                number(row.weighted_acceleration_m_s2, ".3f"),
                row.verdict,
            )
            for row in own
        ]
        header = (
            "km/h",
            "drag",
            "front",
            "rear",
            "lift~",
            "rear~",
            "side~",
            "peak Hz",
            "Wk",
            "verdict",
        )
        parts.append(f"{name}\n{table(header, body)}")
    lines_out = lines_out_text(rating.analysis.runs)
    wind = wind_text(rating.wind)
    parts.append(
        paragraph(
            "Loads in N: mean drag, front lift and rear lift; ~ RMS of lift, rear lift and side "
            "force. Wk: weighted seat acceleration, m/s². A dash: not measured. Car: "
            f"{rating.vehicle.name} ({rating.vehicle.source}). "
            f"{road_text(rating.road, rating.road_track_m)}"
            f"{f' {wind}' if wind else ''}"
            f"{corrected(rating.analysis.blockage)}{f' {lines_out}' if lines_out else ''}"
        )
    )
    return "\n\n".join(parts)


def corrected(blockage: CampaignBlockage) -> str:
    """The blockage correction as a further sentence; empty where none is made."""
    return "" if blockage.method == "none" else f" Blockage: {blockage.text}."


def p_value(value: float) -> str:
    """With three decimals."""
    return "<0.001" if value < 0.001 else f"{value:.3f}"


def checked_text(checked: Checked) -> str:
    """Findings, and how many runs can carry a rating."""
    parts = [findings_text(checked.findings, checked.failed)]
    if every := checked.carrying:
        words = [one.verdict for one in every]
        text = f"{words.count('carries')} of {len(every)} runs can carry {RATING}"
        if in_part := words.count("carries in part"):
            text += f", {in_part} more in part"
        parts.append(paragraph(f"{text}."))
    return "\n".join(parts)


def findings_text(findings: Sequence[Finding], failed: Sequence[Failure] = ()) -> str:
    """Findings with what to do, worst first; the same one of several runs is told once."""
    if not findings:
        return "No findings in the runs that could be read." if failed else "No findings."
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        key = (finding.severity, finding.code, finding.channel or "", finding.advice)
        groups.setdefault(key, []).append(finding)
    return "\n".join(_finding_text(group) for group in groups.values())


def _finding_text(group: Sequence[Finding]) -> str:
    first = group[0]
    where = f"run {first.run}" + (f", {first.channel}" if first.channel else "")
    text = f"{first.severity}: {where}: {first.message} [{first.code}]"
    if others := [finding.run for finding in group[1:]]:
        text += f" Likewise in run{'s' if len(others) > 1 else ''} {', '.join(others)}."
    return f"{paragraph(text)}\n{paragraph(first.advice, '    ')}"


def failures_text(failed: Sequence[Failure]) -> str:
    """Runs that could not be read, one a line."""
    return "\n".join(f"run {failure.run} left out: {failure.error}" for failure in failed)
