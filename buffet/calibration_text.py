"""A balance's calibration as text: one screen that says whether it is good."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from buffet.calibrating.fit import Calibration
from buffet.calibrating.judging import GOOD_SHARE, LEVEL, USABLE_SHARE, judge, significant
from buffet.phrases import by_reason
from buffet.terminal import number, paragraph, table
from ingest import three_digits

# Terms that are not linear are listed up to this many.
LISTED = 5


def calibration_text(calibration: Calibration) -> str:
    """Judgement, loads given back, bridges, interactions, and what to look at."""
    parts = [
        _head(calibration),
        _loads(calibration),
        _outputs(calibration),
        *_interactions(calibration),
        "\n".join(_notes(calibration)),
    ]
    return "\n\n".join(part for part in parts if part)


def _head(calibration: Calibration) -> str:
    data, judged = calibration.table, judge(calibration)
    series = len(data.series_names)
    return paragraph(
        f"Calibration from {data.path.name}: {judged.word}. The worst load, {judged.load}, is met "
        f"to {_percent(judged.share)} % of full scale (one standard deviation; good up to "
        f"{100 * GOOD_SHARE:g} %, usable up to {100 * USABLE_SHARE:g} %). "
        f"{len(data.lines)} loadings in {series} series, {len(calibration.terms)} terms "
        f"({calibration.term_set}), {calibration.fit.freedom} degrees of freedom, "
        f"{calibration.settings.form} form; condition number {calibration.condition:.3g}."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.2g}" if share < 1 else f"{100 * share:.0f}"


def _loads(calibration: Calibration) -> str:
    data, residuals = calibration.table, calibration.load_residuals
    worst = np.abs(residuals).argmax(axis=0)
    rows = [
        (
            f"{load}, {data.load_units[i]}",
            f"{data.full_scale[i]:.4g}",
            three_digits(calibration.load_deviation[i]),
            _percent(calibration.load_deviation[i] / data.full_scale[i]),
            _percent(calibration.deletion_deviation[i] / data.full_scale[i]),
            _percent(abs(residuals[worst[i], i]) / data.full_scale[i]),
            str(data.lines[worst[i]]),
        )
        for i, load in enumerate(data.loads)
    ]
    header = ("load", "full scale", "s", "s, %", "left out, %", "largest, %", "line")
    about = paragraph(
        "Loads that the balance gives back from the table's readings; s: standard deviation, left "
        "out: of each loading by a fit without it; % of full scale."
    )
    return f"{table(header, rows)}\n{about}"


def _outputs(calibration: Calibration) -> str:
    if calibration.settings.form == "direct":
        return ""  # the loads themselves
    fit, data = calibration.fit, calibration.table
    full = np.abs(data.bridge_values - calibration.zeros[data.series]).max(axis=0)
    kept = significant(calibration)
    rows = [
        (
            bridge,
            f"{full[i]:.4g}",
            f"{fit.deviation[i]:.2g}",
            _percent(fit.deviation[i] / full[i]),
            f"{kept[:, i].sum()} of {len(kept)}",
        )
        for i, bridge in enumerate(data.bridges)
    ]
    header = (f"bridge, {data.bridge_unit}", "full scale", "s", "s, %", "terms significant")
    return table(header, rows)


def _interactions(calibration: Calibration) -> Iterator[str]:
    """The linear ones as a table, the largest of the others as a list."""
    marks = _marks(calibration)
    shares = {(one.output, str(one)): one.share for one in calibration.influences}
    what = "reading" if calibration.settings.form == "iterative" else "load"
    rows = [
        (output, *(_share(shares.get((output, name)), marks[output, name])
                   for name in calibration.inputs))
        for output in calibration.outputs
    ]  # fmt: skip
    head = f"Linear interactions at full scale, % of the output's {what}; ° not significant:"
    yield f"{head}\n{table(('', *map(_short, calibration.inputs)), rows)}"
    others = [one for one in calibration.influences if str(one) not in calibration.inputs]
    told = [
        f"{one} on {one.output} {100 * one.share:+.2g}{marks[one.output, str(one)]}"
        for one in others[:LISTED]
    ]
    if told:
        yield paragraph(f"Largest of the other {len(others)}, %: {'; '.join(told)}.")


def _marks(calibration: Calibration) -> dict[tuple[str, str], str]:
    """A sign beside each coefficient that may be nought, by output and term."""
    sure: NDArray[np.bool_] = significant(calibration)
    return {
        (output, name): "" if sure[i, k] else "°"
        for i, name in enumerate(calibration.term_names)
        for k, output in enumerate(calibration.outputs)
    }


def _share(share: float | None, mark: str) -> str:
    return "main" if share is None else f"{number(100 * share, '+.2f')}{mark}"


def _short(name: str) -> str:
    """A column's head: "roll moment" as "roll m."."""
    return name.replace("moment", "m.").replace("force", "f.")


def _notes(calibration: Calibration) -> Iterator[str]:
    for caution in judge(calibration).cautions:
        yield paragraph(f"Caution: {caution}.")
    for why, terms in by_reason((one.why, one.term) for one in calibration.left_out).items():
        yield paragraph(f"Left out, since {why}: {', '.join(terms)}.")
    weak = (~significant(calibration)).sum()
    if weak:
        total = significant(calibration).size
        yield paragraph(
            f"{weak} of {total} coefficients may be nought at a level of {100 * LEVEL:g} %."
        )
    if calibration.table.ignored:
        yield paragraph(f"Columns not used: {', '.join(calibration.table.ignored)}.")
