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


def with_unit(name: str, unit: str) -> str:
    """ "lift, N"; the name alone where it has no unit."""
    return name if unit == "1" else f"{name}, {unit}"


def from_to(values: Sequence[float], form: str) -> str:
    """ "0.2 to 0.4", the lowest and the highest; one alone where both read alike."""
    return " to ".join(dict.fromkeys(format(value, form) for value in (min(values), max(values))))
