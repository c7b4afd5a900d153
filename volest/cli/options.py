"""Options that several commands share: how a scan is to be measured."""

import inspect
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from volest.cli.console import say
from volest.cli.defaults import is_from_file
from volest.cli.number import Number
from volest.cli.patterns import split
from volest.errors import UsageError
from volest.settings import MM_PER_UNIT, PITCH_RANGE_MM, Settings, parse_base

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.pipeline import Cavity
    from volest.result import Result

Command = TypeVar("Command", bound=Callable[..., Any])
_DEFAULTS = Settings()
BASE_HELP = """\b
Base lines (--base):
  rim                       the crest of the rim, all round (default)
  rim=MM                    so much above the rim; negative: below it
  depth=MM                  so high over the deepest tips
  cover=MM                  at least so much stone over the highest floor
  plane=PX,PY,PZ,NX,NY,NZ   a point and the way up, in the scan's own frame

A base line that somebody saved beside a scan is obeyed unless --base is given.
"""
_OPTIONS = (
    click.option("--base", metavar="HOW", help="Base line, as above; rim if nothing is saved."),
    click.option(
        "--unit", type=click.Choice(list(MM_PER_UNIT)), help="Unit of the files; else mm."
    ),
    click.option(
        "--pitch",
        default=_DEFAULTS.pitch_mm,
        show_default=True,
        metavar="MM",
        type=Number(),
        help=f"Width of a column, {PITCH_RANGE_MM[0]:g} to {PITCH_RANGE_MM[1]:g}; "
        "finer takes longer.",
    ),
    click.option(
        "--inside-out",
        is_flag=True,
        help="Take scans whose faces point the wrong way as impressions.",
    ),
)


def with_options(options: Sequence[Callable[..., Any]]) -> Callable[[Command], Command]:
    """Make a decorator of several."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


measuring = with_options(_OPTIONS)  # base, unit, pitch and inside_out


one_scan = click.argument("scan", metavar="SCAN", type=click.Path(readable=False, path_type=Path))


cavity_option = click.option(
    "--cavity",
    type=Number(least=1, whole=True),
    metavar="N",
    help="Which impression, if the scan has several; else the first.",
)


def examined(scan: Path, settings: Settings, cavity: int | None) -> "tuple[Result, Cavity]":
    """Examine one impression, and say so if the scan has others and none was asked for."""
    from volest.pipeline import examine  # keeps --help quick

    result, found = examine(scan, settings, cavity or 1)
    if cavity is None and result.cavities > 1:
        say(f"{scan.name} has {result.cavities} impressions; this is 1, --cavity N gives another")
    return result, found


def file_option(flag: str, parameter: str, told: str, **more: Any) -> Callable[[Command], Command]:
    """Make an option that names a file."""
    kind = click.Path(path_type=Path)
    return click.option(flag, parameter, metavar="FILE", type=kind, help=told, **more)


def bundled(
    options: Sequence[Callable[..., Any]], record: Callable[..., Any], name: str
) -> Callable[[Command], Command]:
    """Make a decorator that hands several options over together."""
    names = inspect.signature(record).parameters

    def decorate(command: Command) -> Command:
        @wraps(command)
        def gathered(*args: Any, **words: Any) -> Any:
            given = {key: words.pop(key) for key in names}
            return command(*args, **{name: record(**given)}, **words)

        return cast(Command, with_options(options)(gathered))

    return decorate


def settings_of(
    *,
    base: str | None = None,
    unit: str | None = _DEFAULTS.unit,
    pitch: float = _DEFAULTS.pitch_mm,
    inside_out: bool = _DEFAULTS.inside_out,
    stone: str = _DEFAULTS.stone,
    wp: float | None = None,
    waste: float = _DEFAULTS.waste_percent,
    residue: float = _DEFAULTS.residue_ml,
    by: str = _DEFAULTS.by,
    stones_for: Sequence[str] = (),
) -> Settings:
    """Turn options into settings; what a command has no option for stays as it is built in."""
    return Settings(
        base=parse_base("rim" if base is None else base),
        obey_saved=base is None or is_from_file("base"),
        unit=unit,
        pitch_mm=pitch,
        inside_out=inside_out,
        stone=stone,
        wp_ml_per_100g=wp,
        waste_percent=waste,
        residue_ml=residue,
        by=by,
        stones_for=tuple(map(_stone_for, stones_for)),
    )


def _stone_for(text: str) -> tuple[str, str]:
    pattern, stone = split(text)
    if not pattern or not stone:
        raise UsageError(
            f"--stone-for {text}",
            needed="a pattern of names of scans, and their stone",
            remedy="write for example --stone-for '*-bite*=type-3'; --stone is for all the others",
        )
    return pattern, stone
