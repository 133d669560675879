"""Words that several texts put together alike."""

from __future__ import annotations

from collections.abc import Sequence


def listed(names: Sequence[str]) -> str:
    """ "drag, lift and yaw moment"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
