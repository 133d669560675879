"""One line of the benchmarks' table: what, its goal, what was found; as text and as JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal


@dataclass(frozen=True)
class Figure:
    """A figure beside its goal, where there is one."""

    what: str
    found: float
    unit: str  # "x" for a ratio to what `beside` says
    goal: float | None = None
    sense: Literal["at least", "at most"] = "at least"
    beside: str = ""  # what was measured, in its own units

    @property
    def reached(self) -> bool | None:
        """Whether the goal is; None without one."""
        if self.goal is None:
            return None
        return self.found >= self.goal if self.sense == "at least" else self.found <= self.goal

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return {**asdict(self), "reached": self.reached}


def line(figure: Figure) -> str:
    """One figure."""
    goal, mark = "", "    "
    if figure.goal is not None:
        sign = "≥" if figure.sense == "at least" else "≤"
        goal, mark = f"{sign} {figure.goal:g} {figure.unit}", "    " if figure.reached else "MISS"
    found = f"{figure.found:.3g} {figure.unit}"
    return f"{figure.what:70} {goal:>10}  {found:>10}  {mark}  {figure.beside}".rstrip()
