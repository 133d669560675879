"""Tables of the page: what is felt at the seat, and where the uncertainty comes from."""

from __future__ import annotations

from dataclasses import dataclass

from buffet.rating.felt import BANDS_HZ
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.wording import remedy
from buffet.report.wording import NONE, significant, spanned


@dataclass(frozen=True)
class FeltRow:
    """What one configuration does to the person in the seat."""

    name: str
    axes: tuple[str, ...]  # in the order of `FELT_AXES`
    total: str
    reaction: str
    over_threshold: str
    over_time: str  # largest second and dose, where the r.m.s. value tells too little


FELT_AXES = tuple(BANDS_HZ)


def felt_rows(rating: Rating) -> list[FeltRow]:
    """Configurations whose upright motion is told."""
    rows = [_felt_row(one) for one in rating.configurations]
    return [row for row in rows if row is not None]


def _felt_row(one: ConfigurationRating) -> FeltRow | None:
    felt = one.curves.felt
    if felt is None:
        return None
    shaking = felt.shaking
    over_time = NONE
    if shaking is not None and shaking.exceeded:
        over_time = (
            f"{significant(shaking.largest_running_rms_m_s2, 2)} m/s²; "
            f"{significant(shaking.dose_m_s1_75, 2)} m/s^1.75 in {shaking.duration_s:.0f} s"
        )
    return FeltRow(
        one.name,
        tuple(
            significant(felt.axes[axis].value, 2) if axis in felt.axes else NONE
            for axis in FELT_AXES
        ),
        spanned(felt.total),
        " or ".join(reaction.words for reaction in felt.reactions),
        significant(felt.over_threshold, 2),
        over_time,
    )


@dataclass(frozen=True)
class BudgetRow:
    """Where the uncertainty of one configuration's decisive criterion comes from."""

    name: str
    criterion: str
    shares: tuple[str, ...]  # in the order of the sources
    remedy: str


def budget_rows(rating: Rating) -> tuple[tuple[str, ...], list[BudgetRow]]:
    """All sources, and each configuration's shares of the variance."""
    told = [
        (one.name, one.decisive)
        for one in rating.configurations
        if one.decisive is not None and one.decisive.budget
    ]
    sources = tuple(dict.fromkeys(source for _, row in told for source in row.budget))
    rows = [
        BudgetRow(
            name,
            row.criterion.id,
            tuple(f"{100 * row.budget[s]:.0f} %" if s in row.budget else NONE for s in sources),
            remedy(row),
        )
        for name, row in told
    ]
    return sources, rows
