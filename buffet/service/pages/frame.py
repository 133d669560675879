"""What surrounds every page: who looks at it, what they may do, and the templates' surroundings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal

from markupsafe import Markup, escape

from buffet.report.wording import sort_value
from buffet.service.pages.assets import address_of
from buffet.service.pages.svg import line_sample, svg

if TYPE_CHECKING:
    from jinja2 import Environment

Role = Literal["reader", "engineer", "owner"]
# Each can what the one before can.
ROLES: tuple[Role, ...] = ("reader", "engineer", "owner")
USUAL_SPEED_KM_H = 130  # that a form offers
_UNITS = ("B", "kB", "MB", "GB", "TB")


@dataclass(frozen=True)
class Frame:
    """Who looks at a page; every form on it carries the token."""

    user: str | None  # None: nobody signed in
    role: Role | None
    form_token: str
    has_session: bool = True  # whether there is something to sign out of
    notice: str | None = None  # what was just done, said once at the top

    def can(self, role: Role) -> bool:
        """Whether the user has that role, or a higher one."""
        return self.role is not None and ROLES.index(self.role) >= ROLES.index(role)


@dataclass(frozen=True)
class Pager:
    """Where a long list goes on; addresses are within the service."""

    told: str  # "1 to 50 of 312"
    previous: str | None
    next: str | None


def render(template: str, frame: Frame, values: Mapping[str, Any]) -> str:
    """A page as HTML."""
    page = environment().get_template(f"{template}.html.j2")
    return page.render(values, frame=frame, version=_version())


@cache
def _version() -> str:
    """Of the program; looking it up reads a file, which took a third of a page's time."""
    return version("buffeting")


@cache
def environment() -> Environment:
    """Templates with everything escaped, and an error for what a page was not given."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("buffet.service.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["when"] = when
    made.filters["machine_time"] = machine_time
    made.filters["size"] = size
    made.filters["coded"] = coded
    made.filters["sort_value"] = sort_value
    made.globals |= {"static": address_of, "svg": svg, "line_sample": line_sample}
    return made


def when(seconds: float | None) -> str:
    """A time in UTC to the minute, or a dash."""
    return "–" if seconds is None else f"{_utc(seconds):%Y-%m-%d %H:%M} UTC"


def machine_time(seconds: float) -> str:
    """The same as ISO 8601, to the second."""
    return f"{_utc(seconds):%Y-%m-%dT%H:%M:%SZ}"


def _utc(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def coded(text: str) -> Markup:
    """What stands between backticks, as code."""
    parts = text.split("`")
    if len(parts) % 2 == 0:  # one is left over
        return escape(text)
    told = (f"<code>{escape(one)}</code>" if i % 2 else escape(one) for i, one in enumerate(parts))
    return Markup("".join(told))


def size(n_bytes: int) -> str:
    """Bytes to three digits, in steps of a thousand."""
    value, unit = float(n_bytes), 0
    while value >= 999.5 and unit < len(_UNITS) - 1:
        value, unit = value / 1000, unit + 1
    return f"{value:.3g} {_UNITS[unit]}"
