"""What commands share: a lab's habits, options, and the settings and places made of them."""

import math
import os
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, TypeVar

import click

from volest.cli.console import STREAM, say, set_talk
from volest.errors import UsageError
from volest.lab import Lab
from volest.settings import NAMED, SETTINGS, Setting, Settings, pattern_and_word
from volest.system import own_folder

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.find import Place
    from volest.batch.workers import SizeScan
    from volest.pipeline import Cavity
    from volest.result import Result
    from volest.run import Request

    _Type = click.ParamType[float]  # only newer releases of click know what a type gives
else:
    _Type = click.ParamType

LAB_FILE = "lab.toml"
LAB_VARIABLE = str(NAMED["lab_file"].variable)
_LAB = "volest.lab"  # among what a command knows of its call


def _flags(*groups: str) -> str:
    return " ".join(setting.flag for group in groups for setting in SETTINGS[group])


HEADINGS = {
    "Base line and scan": f"{_flags('measuring')} --cavity",
    "Stone and mix": f"{_flags('stone', 'stones', 'amounts')} --footprint",
    "Mixes for several impressions": f"--share --at-most {_flags('day')} --age --start",
    "What is written": "--out --no-sheet --sheet --json --csv --json-lines --picture --outline "
    "--plot --curve --dry",
    "How it runs": "--workers --memory --seconds-each --cluster --quiet --verbose --help "
    "--help-all",
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
    ctx = click.get_current_context(silent=True)
    source = None if ctx is None else ctx.get_parameter_source(parameter)
    return source is click.core.ParameterSource.DEFAULT_MAP


def lab_from(lab_file: Path | None) -> Lab:
    """Give the lab of the command at hand, whose file was read for its habits; else the usual."""
    lab = None if lab_file is None else click.get_current_context().meta[_LAB]
    return lab if isinstance(lab, Lab) else Lab()


class Command(click.Command):
    """A command that takes a lab's habits, and shows its daily options, all with --help-all."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the words, after the habits of the lab that is in force for them."""
        if any(param.name == "lab_file" for param in self.params) and not ctx.resilient_parsing:
            ctx.default_map = self._habits(ctx, args)
        return super().parse_args(ctx, args)

    def _habits(self, ctx: click.Context, args: list[str]) -> dict[str, Any]:
        try:
            said, _, _ = self.make_parser(ctx).parse_args(list(args))
        except click.UsageError:
            return {}  # told when the words are read
        if any(said.get(eager) for eager in ("help", ALL)):
            return {}
        path = said.get("lab_file")
        if path is None:
            path, _ = lab_in_force(_folder_of(said))
        if path is None:
            return {}
        from volest.stone.lab_file import read_lab_and_habits  # keeps --help quick

        ctx.meta[_LAB], habits = read_lab_and_habits(Path(path))
        return {"lab_file": str(path), **habits}

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
            shown = [one for one in options if headed.get(one.opts[-1], "Options") == heading]
            rows = [row for row in (option.get_help_record(ctx) for option in shown) if row]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


def _folder_of(said: Mapping[str, Any]) -> Path | None:
    """Say where the scans lie that a command's words name first."""
    for name in ("paths", "scan", "folder"):
        given = said.get(name)
        first = given[0] if isinstance(given, tuple | list) and given else given
        if isinstance(first, str) and os.path.lexists(first):
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


_UNSAID = (None, click.core.ParameterSource.DEFAULT)  # None: the command has no such option
Function = TypeVar("Function", bound=Callable[..., Any])
_WITH_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(?:[a-zA-Z]+|%)")
_WITH_COMMA = re.compile(r"([+-]?\d+),(\d+)")
_UNITS = {
    "MM": "mm",
    "ML": "mL",
    "VOLUME": "mL",
    "G": "g",
    "PERCENT": "per cent",
    "MM2": "mm2",
    "S": "s",
    "MB": "MB",
}


@dataclass(kw_only=True, eq=False)
class Number(_Type):
    """A number from `least` or over `above` to `most`; a whole one counts and has no point."""

    name = "number"
    least: float | None = None
    above: float | None = None
    most: float | None = None
    whole: bool = False

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a word of the command line or a value of the lab file."""
        text = str(value)
        try:
            number = int(text) if self.whole else float(text)
        except ValueError:
            kind = "whole number" if self.whole else "number"
            remedy = ""
            unit = _UNITS.get(str(getattr(param, "metavar", None)))
            if comma := _WITH_COMMA.fullmatch(text.strip()):
                remedy = f" Write it with a point: {comma[1]}.{comma[2]}."
            elif _WITH_UNIT.fullmatch(text.strip()) and unit is not None:
                remedy = f" Write the number alone, in {unit}."
            self.fail(f"{text!r} is not a {kind}.{remedy}", param, ctx)
        low, high = self.least, self.most
        if self.above is not None and number <= self.above:
            self.fail(f"{number} is not above {self.above:g}.", param, ctx)
        if low is not None and high is not None and (number < low or number > high):
            self.fail(f"{number} is not in {low:g} to {high:g}.", param, ctx)
        if low is not None and number < low:
            self.fail(f"{number} is below {low:g}.", param, ctx)
        return number


def place(text: str) -> "Place":
    """Read a path, an address with ``://`` in it, or - for a scan on the input."""
    from volest.batch.find import place_of

    return _from_input() if text == STREAM else place_of(text)


def _from_input() -> Path:
    """Put the scan on the input into a file that is there as long as the command runs."""
    scan = sys.stdin.buffer.read()
    kept: TemporaryDirectory[str] = TemporaryDirectory(prefix="volest-")
    click.get_current_context().call_on_close(kept.cleanup)
    path = Path(kept.name) / ("input.ply" if scan.startswith(b"ply") else "input.stl")
    path.write_bytes(scan)
    return path


def file_option(flag: str, parameter: str, told: str) -> Callable[[Function], Function]:
    """Make an option that names a file; its parameter gets a path, or None."""
    kind = click.Path(path_type=Path)
    return click.option(flag, parameter, metavar="FILE", type=kind, help=told)


def target_option(flag: str, parameter: str, told: str) -> Callable[[Function], Function]:
    """Make an option that names a file to be written, or - for the output; it gets a text."""
    return click.option(flag, parameter, metavar="FILE", help=told)


def _all(*options: Callable[..., Any]) -> Callable[[Function], Function]:
    """Make one decorator of several, in the order of the help text."""

    def decorate(command: Function) -> Function:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


BASE_HELP = """\b
Base lines (--base):
  rim                       the crest of the rim, all round (default)
  rim=MM                    so much above the rim; negative: below it
  depth=MM                  so high over the deepest places of the floor
  cover=MM                  at least so much stone over the highest floor
  plane=PX,PY,PZ,NX,NY,NZ   a point and the way up, in the scan's own frame

A base line that somebody saved beside a scan is obeyed unless --base is given.
"""


one_scan = click.argument(
    "scan",
    metavar="SCAN",
    type=click.Path(readable=False, path_type=Path, allow_dash=True),
    callback=lambda _ctx, _param, scan: _from_input() if str(scan) == STREAM else scan,
)
cavity_option = click.option(
    "--cavity",
    type=Number(least=1, whole=True),
    metavar="N",
    help="Which impression, if the scan has several; else the first.",
)
verbose_option = click.option(
    "-v", "--verbose", is_flag=True, help="Tell on the error stream what is done."
)


def _option(setting: Setting) -> Callable[[Function], Function]:
    """Make the option of one row of the table of settings."""
    kinds = {
        float: Number(
            least=setting.limits[0] if math.isfinite(setting.limits[0]) else None,
            most=setting.limits[1] if math.isfinite(setting.limits[1]) else None,
        ),
        PurePath: click.Path(path_type=Path),
    }
    return click.option(
        setting.flag,
        setting.name,
        metavar=setting.metavar,
        type=click.Choice(setting.choices) if setting.choices else kinds.get(setting.kind),
        is_flag=setting.kind is bool,
        multiple=setting.kind is tuple,
        default=setting.default,
        show_default=setting.shows_default,
        envvar=setting.variable,
        help=setting.says,
    )


def _settings(*groups: str) -> Callable[[Function], Function]:
    return _all(*(_option(setting) for group in groups for setting in SETTINGS[group]))


lab_option = _option(NAMED["lab_file"])


def journal_option(told: str) -> Callable[[Function], Function]:
    """Make the option that names the journal; a command says what it does with it."""
    return _option(replace(NAMED["journal_file"], says=told))


mixing = _settings("stone", "amounts")
sizing = _settings("measuring", "stone", "stones", "amounts")
planning = _settings("day")


def running(*, out_needed: bool) -> Callable[[Function], Function]:
    """Make the options that say where a run writes, what it may take, and who does it."""
    told = "Write results.json, results.csv and sheet.html there; what is finished stays finished."
    return _all(
        click.option("--out", metavar="DIR", type=place, required=out_needed, help=told),
        click.option(
            "--no-sheet",
            is_flag=True,
            help="With --out: leave out the pour sheet; so it is with --cluster or an address.",
        ),
        click.option(
            "--workers",
            type=Number(whole=True),
            metavar="N",
            help="Scans sized at a time; else one a processor.",
        ),
        click.option(
            "--memory",
            "memory_mb",
            type=Number(whole=True),
            metavar="MB",
            help="Memory of each worker; else four fifths of the computer's, shared.",
        ),
        click.option(
            "--seconds-each",
            type=Number(),
            metavar="S",
            help="Time for one scan, 300 if not given; a longer one is ended and told as a fault.",
        ),
        click.option(
            "--cluster",
            metavar="ADDRESS",
            help="Size the scans on the workers of this Dask scheduler (extra 'cluster').",
        ),
    )


def settings_of(
    *, lab_file: Path | None = None, stones_for: Sequence[str] = (), **options: Any
) -> Settings:
    """Turn options of `measuring`, `mixing` or `sizing` into settings; written words win."""
    from volest.journal import settings_in_force

    ctx = click.get_current_context()
    options["stones_for"] = tuple(_with_pattern(text) for text in stones_for)
    said: dict[str, Any] = {"lab_file": None if lab_file is None else str(lab_file)}
    usual = ctx.lookup_default("stone")
    habits: dict[str, Any] = {} if usual is None else {"stone": usual}
    for name, value in options.items():
        if value is not None and ctx.get_parameter_source(name) not in _UNSAID:
            (habits if is_from_file(name) else said)[name] = value
    return settings_in_force(lab_from(lab_file), said, habits, say)


def _with_pattern(text: str) -> tuple[str, str]:
    pattern, stone = pattern_and_word(text)
    if not pattern or not stone:
        raise UsageError(
            f"--stone-for {text}",
            needed="a pattern of names of scans, and their stone",
            remedy="write for example --stone-for '*-bite*=type-3'; --stone is for all the others",
        )
    return pattern, stone


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


def examined(scan: Path, settings: Settings, cavity: int | None) -> "tuple[Result, Cavity]":
    """Examine one impression, and say so if the scan has others and none was asked for."""
    from volest.pipeline import examine  # keeps --help quick

    result, found = examine(scan, settings, cavity or 1)
    if cavity is None and result.cavities > 1:
        say(f"{scan.name} has {result.cavities} impressions; this is 1, --cavity N gives another")
    return result, found
