"""Options that commands share, and the settings, limits and places that are made of them."""

import math
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, TypeVar

import click

from volest.cli.command import is_from_file, lab_from
from volest.cli.console import STREAM, say, set_talk
from volest.errors import UsageError
from volest.settings import NAMED, SETTINGS, Setting, Settings, pattern_and_word

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.find import Place
    from volest.batch.workers import SizeScan
    from volest.pipeline import Cavity
    from volest.result import Result
    from volest.run import Request

    _Type = click.ParamType[float]  # only newer releases of click know what a type gives
else:
    _Type = click.ParamType

_UNSAID = (None, click.core.ParameterSource.DEFAULT)  # None: the command has no such option
MOST_ROWS = 200  # a longer table is not read but searched: results.csv does that better
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
        fault = self._fault(number)
        if fault is not None:
            self.fail(f"{number} {fault}.", param, ctx)
        return number

    def _fault(self, number: float) -> str | None:
        if self.above is not None and number <= self.above:
            return f"is not above {self.above:g}"
        low, high = self.least, self.most
        below = low is not None and number < low
        if low is not None and high is not None:
            return f"is not in {low:g} to {high:g}" if below or number > high else None
        return f"is below {low:g}" if below else None


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
  depth=MM                  so high over the deepest cusp tips
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
        most_held=None if out is None else MOST_ROWS,
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
