"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, fields
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn, TypeVar

import click

if TYPE_CHECKING:
    from buffet.vehicle import Road

Command = TypeVar("Command", bound=Callable[..., Any])
CommandDimension = Literal["speed", "frequency", "time", "ratio", "length", "volume", "mass"]

# Verdicts that `--fail-on` flags.
FAIL_ON = {"possible": ("possible", "likely"), "likely": ("likely",)}

Place = Path | str  # a folder, or an address, of which a path would lose a slash


class CampaignType(click.Path):
    """Where a campaign is."""

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        return value if "://" in str(value) else super().convert(value, param, ctx)


_CACHE = "buffet.cache"


def _note_cache(context: click.Context, option: click.Parameter, value: bool) -> None:
    context.meta[_CACHE] = value


def wants_cache() -> bool:
    """Whether the command that runs was given `--cache`."""
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.meta.get(_CACHE))


CACHE = click.option(
    "--cache",
    is_flag=True,
    expose_value=False,
    callback=_note_cache,
    help="Keep what was read of recordings in the campaign's .buffet-cache: faster next time.",
)


def CAMPAIGN(function: Command) -> Command:
    """The campaign, and how its recordings are read."""
    argument = click.argument("campaign", type=CampaignType(path_type=Path))
    return argument(CACHE(function))


JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def _with_suffix(suffixes: str) -> Callable[..., Any]:
    """Refuses a file at once where no writer has its suffix."""

    def before_hours_of_reading(ctx: click.Context, param: click.Parameter, path: Any) -> Any:
        if path is not None and path.suffix.lower() not in suffixes.split(", "):
            named = path.suffix or "a file without suffix"
            raise click.BadParameter(f"cannot write {named} here; wanted one of {suffixes}")
        return path

    return before_hours_of_reading


def output_option(suffixes: str, *, required: bool = False) -> Callable[[Command], Command]:
    """`-o FILE`."""
    return click.option(
        "-o",
        "--output",
        type=click.Path(path_type=Path),
        callback=_with_suffix(suffixes),
        required=required,
        help=f"Write to a file: {suffixes}.",
    )


def units_row_option(function: Command) -> Command:
    """`--units-row`, of a command with `-o FILE` that writes a table."""

    @wraps(function)
    def checked(**given: Any) -> Any:
        output = given["output"]
        if given["units_row"] and (output is None or output.suffix.lower() != ".csv"):
            told = "nothing is written" if output is None else f"{output.suffix} has none"
            raise click.UsageError(f"--units-row needs a table, -o FILE.csv: {told}")
        return function(**given)

    option = click.option(
        "--units-row",
        is_flag=True,
        help="For spreadsheets: a second row of a .csv with the units.",
    )
    return option(checked)  # type: ignore[return-value]


def plot_option(what: str) -> Callable[[Command], Command]:
    """`--plot FILE`, where `-o` writes something else."""
    suffixes = ".png, .svg, .pdf"
    return click.option(
        "--plot",
        type=click.Path(path_type=Path),
        metavar="FILE",
        callback=_with_suffix(suffixes),
        help=f"Draw {what}: {suffixes}.",
    )


class Quantity(click.ParamType[float]):
    """A quantity with its unit: 130 without one could be meant in km/h and be read in m/s."""

    def __init__(
        self,
        dimension: CommandDimension,
        example: str,
        lowest: str | None = None,
        highest: str | None = None,
    ) -> None:
        self.dimension: CommandDimension = dimension
        self.name, self.example = dimension, example
        self.lowest, self.highest = lowest, highest

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        from ingest import QuantityError, parse_quantity

        if isinstance(value, float):
            return value

        def fail(wanted: str) -> NoReturn:
            self.fail(f'got {value!r}; wanted {wanted}, for example "{self.example}"', param, ctx)

        try:
            result = float(parse_quantity(value, self.dimension))
        except QuantityError:
            fail(f"a {self.dimension} with its unit")
        if not 0 < result < float("inf"):
            fail("more than zero")
        if self.lowest and result < parse_quantity(self.lowest, self.dimension):
            fail(f"at least {self.lowest}")
        if self.highest and result > parse_quantity(self.highest, self.dimension):
            fail(f"at most {self.highest}")
        return result


# No road car goes faster; the searches over road speed stay small.
FASTEST = "500 km/h"
STRONGEST_WIND = "30 m/s"  # that of `rating.wind`
SPEED = Quantity("speed", "130 km/h", highest=FASTEST)
AT_SPEED = click.option(
    "--speed", type=SPEED, required=True, metavar="SPEED", help='Road speed, e.g. "130 km/h".'
)
UP_TO = click.option(
    "--up-to",
    type=Quantity("speed", "250 km/h", lowest="30 km/h", highest=FASTEST),
    default="250 km/h",
    show_default=True,
    metavar="SPEED",
    help="Search the onset up to this road speed.",
)
CRITERIA = click.option(
    "--criteria",
    type=click.Path(path_type=Path),
    help="Criteria of your own instead of the package's.",
)


CAR = click.option(
    "--car",
    metavar="NAME|FILE",
    help="Another car than the campaign's: small hatchback, saloon, van, or a vehicle.toml.",
)


class RoadType(click.ParamType["Road"]):
    """A road by its class, its unevenness or its profile's file."""

    name = "road"

    def convert(self, value: Any, param: Any, ctx: Any) -> Road:
        from buffet.errors import RoadError
        from buffet.vehicle import Road, UnknownRoadError, road_from

        if isinstance(value, Road):
            return value
        try:
            return road_from(value)
        except UnknownRoadError as error:
            raise click.BadParameter(str(error), ctx, param) from error
        except RoadError as error:
            raise click.ClickException(str(error)) from error


ROAD = click.option(
    "--road",
    type=RoadType(),
    metavar="ROAD",
    help='The road to compare with: "B", "4e-6 m^3", a CSV; a good motorway.',
)


# A load without a unit is taken for a coefficient; those of cars and their taps stay below
# (engineering judgement).
LARGEST_COEFFICIENT = 20.0


class LoadType(click.ParamType[tuple[float, str]]):
    """A load with its unit, or a plain coefficient, to SI: 400.0 and "N"."""

    name = "load"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, str]:
        from ingest import QuantityError, parse_quantity

        for dimension, unit in _LOADS.items():
            with suppress(QuantityError):
                load = float(parse_quantity(value, dimension))
                if unit == "1" and abs(load) > LARGEST_COEFFICIENT:
                    wanted = f'a unit, for example "{value} N": no coefficient is as large'
                    raise click.BadParameter(f"got {value!r}; wanted {wanted}", ctx, param)
                return load, unit
        raise click.BadParameter(
            f'got {value!r}; wanted a force, moment, pressure or coefficient, for example "400 N"',
            ctx,
            param,
        )


_LOADS: dict[Literal["ratio", "force", "moment", "pressure"], str] = {
    "ratio": "1",
    "force": "N",
    "moment": "N m",
    "pressure": "Pa",
}

FUEL_ELASTICITY = click.option(
    "--fuel-elasticity",
    type=click.FloatRange(0, 1, min_open=True),
    metavar="SHARE",
    help="Fuel per drag, both in %; 0.5 to 0.65 by speed unless given. Electric: 0.7.",
)

SPEED_TRACE = click.option(
    "--speed-trace",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Energy by road load over a drive, too: a CSV with time_s and speed_km_h.",
)


# Finer than any campaign shows, and so coarse that nothing would differ.
EQUAL_WITHIN = click.option(
    "--equal-within",
    type=Quantity("ratio", "5 %", lowest="0.1 %", highest="50 %"),
    default="5 %",
    show_default=True,
    metavar="SHARE",
    help="RMS values closer than this pass for equal; repeats are told that would show it.",
)


WITHOUT_TUNNEL = click.option(
    "--without-tunnel",
    is_flag=True,
    help="Take out what follows the reference probes in the oncoming flow.",
)

WITHOUT_LINES = click.option(
    "--without-lines",
    is_flag=True,
    help="Take out pure lines, such as those of fan, belt, wheels and mains.",
)


WIND = click.option(
    "--wind",
    type=Quantity("speed", "4 m/s", highest=STRONGEST_WIND),
    metavar="SPEED",
    help="Rate in wind of this mean speed at the car's height, from all sides; still air.",
)

YAW_SHARES = click.option(
    "--yaw-shares",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Rate by shares of yaw angles, a CSV with yaw_deg and share, in place of --wind.",
)


@dataclass(frozen=True)
class Basis:
    """What a rating rests on beside campaign and road speeds, as it was asked for."""

    criteria: Path | None
    car: str | None
    road: Road | None
    wind: float | None  # mean speed, m/s
    yaw_shares: Path | None
    without_tunnel: bool
    without_lines: bool = False


def on_basis(*more: Callable[..., Any]) -> Callable[[Command], Command]:
    """The options of a `Basis`, those in `more` among them, handed on as one `basis`."""
    options: tuple[Callable[..., Any], ...] = (
        CRITERIA,
        CAR,
        ROAD,
        WIND,
        YAW_SHARES,
        WITHOUT_TUNNEL,
        *more,
    )

    def decorate(function: Command) -> Command:
        @wraps(function)
        def packed(**given: Any) -> Any:
            own = {one.name: given.pop(one.name) for one in fields(Basis) if one.name in given}
            if own["wind"] is not None and own["yaw_shares"] is not None:
                raise click.UsageError("--wind and --yaw-shares exclude each other")
            return function(basis=Basis(**own), **given)

        command: Any = packed
        for option in reversed(options):
            command = option(command)
        return command  # type: ignore[no-any-return]

    return decorate


_GIVEN = "buffet.given"
# What changes nothing of a result: where it goes, what exit code tells of it, and who reads.
_ASIDE = frozenset({"output", "fail_on", "cache", "workers", "memory", "cluster"})


class Noted(click.Command):
    """A command that keeps its options as they were given, for `given`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        rest = super().parse_args(ctx, list(args))
        words = self.make_parser(ctx).parse_args(list(args))[0]
        ctx.meta[_GIVEN] = {
            option.opts[-1]: "" if words[option.name] is True else str(words[option.name])
            for option in self.params
            if isinstance(option, click.Option)
            and option.name in words
            and option.name not in _ASIDE
        }
        return rest


def given() -> dict[str, str]:
    """Options of the command that runs, by their long names, as the user wrote them."""
    return dict(click.get_current_context().meta.get(_GIVEN, {}))


def fail_on_option(function: Command) -> Command:
    """`--fail-on VERDICT`."""
    return click.option(
        "--fail-on",
        type=click.Choice(list(FAIL_ON)),
        help="Exit with 3 where a configuration is at least this.",
    )(function)
