"""Criteria that no configuration of a campaign has, told once instead of in each."""

from __future__ import annotations

from collections.abc import Mapping

from buffet.rating.rate import Rating


def not_rated(rating: Rating) -> Mapping[str, str]:
    """Reason by criterion, of those that are null in every configuration for the same one.

    Nothing is told so where no criterion was left to a configuration at all.
    """
    reasons: dict[str, set[str | None]] = {}
    for one in rating.configurations:
        for row in one.criteria:
            reasons.setdefault(row.criterion.id, set()).add(None if row.verdict else row.why)
    silent = {
        name: why
        for name, found in reasons.items()
        if len(found) == 1 and (why := next(iter(found)))
    }
    return silent if len(silent) < len(reasons) else {}
