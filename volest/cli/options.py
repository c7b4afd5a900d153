"""What commands share: a lab's habits, options, and the settings and places made of them."""

import math
import os
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, TypeVar

import click

from volest.cli.console import STREAM, say, set_talk
from volest.errors import UsageError
from volest.lab import Lab
from volest.settings import NAMED, SETTINGS, Settings, pattern_and_word
from volest.system import own_folder

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.find import Place
    from volest.batch.workers import SizeScan
    from volest.run import Request

LAB_FILE = "lab.toml"
LAB_VARIABLE = str(NAMED["lab_file"].variable)
_LAB, _INPUT = "volest.lab", "volest.input"  # among what a command knows of its call
_USUAL = click.core.ParameterSource.DEFAULT  # what a word has that nobody said


def _flags(*groups: str) -> str:
    return " ".join(setting.flag for group in groups for setting in SETTINGS[group])


HEADINGS = {
    "Base line and scan": f"{_flags('measuring')} --cavity",
    "Stone and mix": f"{_flags('stone', 'stones', 'amounts')} --footprint",
    "Mixes for several impressions": f"--share --at-most {_flags('day')} --age --start",
    "What is written": f"{_flags('out')} --sheet --json --csv --json-lines --picture --outline "
    "--plot --curve --dry",
    "How it runs": f"{_flags('running')} --quiet --verbose --help --help-all",
}
_DAILY = (
    "--base --stone --stone-for --by --lab --share --material --taken --kind --out --sheet --json "
    "--csv --picture --outline --curve --cavity --journal --left --short --from --scan --lot "
    "--footprint --outcome --base-pour --again --help --help-all"
)
ALL = "help_all"  # among what a command knows of its call: all options are told
_MANY = 14  # fewer are shown all at once


def lab_in_force(near: Path | None = None) -> tuple[Path | None, str]:
    """Find the lab's file where none is named, and say where that is.

    The environment names it, or none if it names nothing; else it lies beside the scans or above
    them, up to the home folder; else it is the user's own.
    """
    named = os.environ.get(LAB_VARIABLE)
    if named is not None:
        return (Path(named) if named else None), LAB_VARIABLE
    start = Path.cwd() if near is None else near.absolute()
    for folder in (start, *start.parents):
        if (folder / LAB_FILE).is_file():
            return folder / LAB_FILE, "beside the scans or above them"
        if folder == Path.home():
            break
    own = own_folder() / LAB_FILE
    return (own if own.is_file() else None), "your own"


def is_from_file(parameter: str) -> bool:
    """Say whether an option of the command at hand was filled from the lab's file."""
    source = click.get_current_context().get_parameter_source(parameter)
    return source is click.core.ParameterSource.DEFAULT_MAP


def lab_from(lab_file: Path | None) -> Lab:
    """Give the lab of the command at hand, whose file was read for its habits; else the usual."""
    lab: Lab = Lab() if lab_file is None else click.get_current_context().meta[_LAB]
    return lab


class Command(click.Command):
    """A command that takes a lab's habits, and shows its daily options, all with --help-all."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the words; what is left out is as the habits of the lab in force have it."""
        rest = super().parse_args(ctx, args)
        if "lab_file" not in ctx.params or ctx.resilient_parsing:
            return rest
        path = ctx.params["lab_file"] or lab_in_force(_folder_of(ctx))[0]
        if path is not None:
            from volest.stone.lab_file import read_lab_and_habits  # keeps --help quick

            ctx.meta[_LAB], habits = read_lab_and_habits(path)
            ctx.default_map = {"lab_file": str(path), **habits}
            for param in self.params:
                name = param.name or ""
                if name in ctx.default_map and ctx.get_parameter_source(name) is _USUAL:
                    del ctx.params[name]
                    param.handle_parse_result(ctx, {}, [])
        return rest

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        """Put the way to all options beside that to the daily ones."""
        params = super().get_params(ctx)
        return params if len(params) < _MANY else [*params, _HELP_ALL]

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options under their headings, or only the daily ones."""
        options = [param for param in self.get_params(ctx) if isinstance(param, click.Option)]
        few = _HELP_ALL in options and not ctx.meta.get(ALL)
        under = {"Daily options": _DAILY} if few else {**HEADINGS, "Options": ""}
        headed = {name: heading for heading, names in under.items() for name in names.split()}
        for heading in under:
            rows = [
                row
                for option in options
                # By its long name; older clicks put -h before or behind --help, as it happens.
                if headed.get(max(option.opts, key=len), "Options") == heading
                if (row := option.get_help_record(ctx))
            ]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


def _folder_of(ctx: click.Context) -> Path | None:
    """Say where the scans lie that a command's words name first."""
    names = ("paths", "scan", "folder")
    given = next((ctx.params[name] for name in names if name in ctx.params), None)
    first = given[0] if isinstance(given, tuple) and given else given
    if isinstance(first, str | Path) and first != ctx.meta.get(_INPUT) and os.path.lexists(first):
        return Path(first) if Path(first).is_dir() else Path(first).parent
    return None


def _tell_all(ctx: click.Context, _param: click.Parameter, is_wanted: bool) -> None:
    if is_wanted:
        ctx.meta[ALL] = True
        click.echo(ctx.get_help(), color=ctx.color)
        ctx.exit()


_HELP_ALL = click.Option(
    ["--help-all"],
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_tell_all,
    help="Show all options and exit.",
)


Function = TypeVar("Function", bound=Callable[..., Any])
_WITH_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(?:[a-zA-Z]+|%)")
_WITH_COMMA = re.compile(r"([+-]?\d+),(\d+)")
_UNITS = {unit.upper(): unit for unit in ("mm", "mL", "g", "mm2", "s", "MB")}
_UNITS |= {"VOLUME": "mL", "PERCENT": "per cent"}


@dataclass(kw_only=True, eq=False)
class Number(click.ParamType):  # type: ignore[type-arg]  # only newer clicks know of one
    """A number from `least` or over `above` to `most`; a whole one counts and has no point."""

    name = "number"
    least: float = -math.inf
    above: float | None = None
    most: float = math.inf
    whole: bool = False

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a word of the command line or a value of the lab file."""
        text = str(value)
        try:
            number = int(text) if self.whole else float(text)
        except ValueError:
            kind, remedy = "whole number" if self.whole else "number", ""
            unit = _UNITS.get(str(getattr(param, "metavar", None)))
            if comma := _WITH_COMMA.fullmatch(text.strip()):
                remedy = f" Write it with a point: {comma[1]}.{comma[2]}."
            elif _WITH_UNIT.fullmatch(text.strip()) and unit is not None:
                remedy = f" Write the number alone, in {unit}."
            self.fail(f"{text!r} is not a {kind}.{remedy}", param, ctx)
        if self.above is not None and number <= self.above:
            self.fail(f"{number} is not above {self.above:g}.", param, ctx)
        if number < self.least or number > self.most:
            low, high = f"{self.least:g}", f"{self.most:g}"
            is_not = f"below {low}" if high == "inf" else f"not in {low} to {high}"
            self.fail(f"{number} is {is_not}.", param, ctx)
        return number


class _Place(click.Path):
    """A path, an address with ``://`` in it, or - for a scan on the input."""

    def convert(self, value: Any, *_: Any, **__: Any) -> Any:
        """Read a word of the command line."""
        from volest.batch.find import place_of

        return from_input() if value == STREAM else place_of(value)


place = _Place()


def from_input() -> Path:
    """Put the scan on the input into a file that is there as long as the command runs."""
    scan, ctx = sys.stdin.buffer.read(), click.get_current_context()
    kept: TemporaryDirectory[str] = TemporaryDirectory(prefix="volest-")
    ctx.call_on_close(kept.cleanup)
    path = Path(kept.name) / ("input.ply" if scan.startswith(b"ply") else "input.stl")
    path.write_bytes(scan)
    ctx.meta.setdefault(_INPUT, path)  # the first place that is named counts
    return path


def file_option(flag: str, parameter: str, told: str) -> Callable[[Function], Function]:
    """Make an option that names a file; its parameter gets a path, or None."""
    return click.option(flag, parameter, metavar="FILE", type=click.Path(path_type=Path), help=told)


def target_option(flag: str, parameter: str, told: str) -> Callable[[Function], Function]:
    """Make an option that names a file to be written, or - for the output; it gets a text."""
    return click.option(flag, parameter, metavar="FILE", help=told)


BASE_HELP = """\b
Base lines (--base):
  rim                       the crest of the rim, all round (default)
  rim=MM                    so much above the rim; negative: below it
  depth=MM                  so high over the deepest places of the floor
  cover=MM                  at least so much stone over the highest floor
  plane=PX,PY,PZ,NX,NY,NZ   a point and the way up, in the scan's own frame

A base line that somebody saved beside a scan is obeyed unless --base is given.
"""


verbose_option = click.option(
    "-v", "--verbose", is_flag=True, help="Tell on the error stream what is done."
)


def option_of(name: str, **more: Any) -> Callable[[Function], Function]:
    """Make the option of one row of the table of settings."""
    setting = NAMED[name]
    low, high = setting.limits
    kinds = {
        float: Number(least=low, most=high),
        int: Number(whole=True),
        PurePath: click.Path(path_type=Path),
    }
    words = {
        "metavar": setting.metavar,
        "type": click.Choice(setting.choices) if setting.choices else kinds.get(setting.kind),
        "is_flag": setting.kind is bool or None,
        "multiple": setting.kind is tuple,
        "default": setting.default,
        "show_default": setting.shows_default,
        "envvar": setting.variable,
        "help": setting.says,
        **more,
    }
    given = {word: value for word, value in words.items() if value is not None}
    return click.option(setting.flag, setting.name, **given)


def options_of(*groups: str) -> Callable[[Function], Function]:
    """Make the options of groups of settings, in the order of the help text."""
    options = [option_of(setting.name) for group in groups for setting in SETTINGS[group]]
    return lambda command: reduce(lambda made, add: add(made), reversed(options), command)


sizing = options_of("measuring", "stone", "stones", "amounts")


def running(*, out_needed: bool) -> Callable[[Function], Function]:
    """Make the options that say where a run writes, what it may take, and who does it."""
    out = option_of("out", type=place, required=out_needed)
    return lambda command: out(option_of("no_sheet")(options_of("running")(command)))


def settings_of(
    *, lab_file: Path | None = None, stones_for: Sequence[str] = (), **options: Any
) -> Settings:
    """Turn options that measure or mix into settings; written words win."""
    from volest.journal import settings_in_force

    for text in stones_for:
        if not all(pattern_and_word(text)):
            raise UsageError(
                f"--stone-for {text}",
                needed="a pattern of names of scans, and their stone",
                remedy="write for example --stone-for '*-bite*=type-3'; --stone is for all the "
                "others",
            )
    options["stones_for"] = tuple(map(pattern_and_word, stones_for))
    ctx = click.get_current_context()
    said: dict[str, Any] = {"lab_file": None if lab_file is None else str(lab_file)}
    usual = ctx.lookup_default("stone")
    habits: dict[str, Any] = {} if usual is None else {"stone": usual}
    for name, value in options.items():
        if value is not None and ctx.get_parameter_source(name) not in (None, _USUAL):
            (habits if is_from_file(name) else said)[name] = value
    return settings_in_force(lab_from(lab_file), said, habits, say)


def request_of(
    *,
    size_scan: "SizeScan | None",
    out: "Place | None",
    no_sheet: bool,
    cluster: str | None,
    verbose: bool,
    workers: int | None,
    memory_mb: int | None,
    seconds_each: float | None,
    **options: Any,
) -> "Request":
    """Turn the options of `sizing` and `running` into a request; refuse what does not fit."""
    from volest.batch.workers import SECONDS_EACH, Limits
    from volest.run import Request

    if verbose:
        set_talk(True)
    if cluster is not None and (workers, memory_mb) != (None, None):
        raise UsageError(
            "--workers or --memory with --cluster",
            needed="limits of this computer only where it does the work",
            remedy="give the workers of the cluster their limits where they are started",
        )
    if no_sheet and out is None:
        raise UsageError("--no-sheet without --out", needed="--out DIR", remedy="leave it out")
    seconds = SECONDS_EACH if seconds_each is None else seconds_each
    return Request(
        settings=settings_of(**options),
        out=out,
        # Cards are made and kept on this computer.
        out_sheet=isinstance(out, Path) and not no_sheet and cluster is None,
        limits=Limits(workers=workers, memory_mb=memory_mb, seconds_each=seconds),
        cluster=cluster,
        size_scan=size_scan,
        here=size_scan is not None,
    )
