"""Words that several texts put together alike."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeVar

Reason = TypeVar("Reason")


def listed(names: Sequence[str]) -> str:
    """ "drag, lift and yaw moment"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def by_reason(told: Iterable[tuple[Reason, str]]) -> dict[Reason, list[str]]:
    """Names that share a reason, each reason once and in the order of its first name."""
    names: dict[Reason, list[str]] = {}
    for reason, name in told:
        names.setdefault(reason, []).append(name)
    return names
