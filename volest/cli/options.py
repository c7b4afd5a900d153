"""Options that commands share, and the settings, limits and places that are made of them."""

import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, TypeVar

import click

from volest.cli.console import STREAM, say
from volest.cli.defaults import KEYS, check_default_stone, defaults_path, is_from_file, split
from volest.errors import UsageError
from volest.lab import HAND, VACUUM, Lab
from volest.settings import (
    MM_PER_UNIT,
    PITCH_RANGE_MM,
    WAYS_OF_DEALING,
    Settings,
    fits,
    parse_base,
)

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.find import Place
    from volest.batch.workers import Limits
    from volest.pipeline import Cavity
    from volest.result import Result

    _Type = click.ParamType[float]  # only newer releases of click know what a type gives
else:
    _Type = click.ParamType

Command = TypeVar("Command", bound=Callable[..., Any])
_DEFAULTS = Settings()
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


class Number(_Type):
    """A number from `least` or over `above` to `most`; a whole one counts and has no point."""

    name = "number"

    def __init__(
        self,
        *,
        least: float | None = None,
        above: float | None = None,
        most: float | None = None,
        whole: bool = False,
    ) -> None:
        self._least = least
        self._above = above
        self._most = most
        self._whole = whole

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a word of the command line or a value of the defaults file."""
        text = str(value)
        try:
            number = int(text) if self._whole else float(text)
        except ValueError:
            kind = "whole number" if self._whole else "number"
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
        if self._above is not None and number <= self._above:
            return f"is not above {self._above:g}"
        low, high = self._least, self._most
        below = low is not None and number < low
        if low is not None and high is not None:
            return f"is not in {low:g} to {high:g}" if below or number > high else None
        return f"is below {low:g}" if below else None


def place(text: str) -> "Place":
    """Read a path, an address with ``://`` in it, or - for a scan on the input."""
    from volest.batch.find import place_of

    return from_input() if text == STREAM else place_of(text)


def from_input() -> Path:
    """Put the scan on the input into a file that is there as long as the command runs."""
    scan = sys.stdin.buffer.read()
    kept: TemporaryDirectory[str] = TemporaryDirectory(prefix="volest-")
    click.get_current_context().call_on_close(kept.cleanup)
    path = Path(kept.name) / ("input.ply" if scan.startswith(b"ply") else "input.stl")
    path.write_bytes(scan)
    return path


def holds_for(pattern: str, scan: str) -> bool:
    """Say whether a word with this pattern before it holds for a scan; without one it does."""
    return not pattern or fits(pattern, scan)


def check_fits(option: str, texts: Sequence[str], scans: "Sequence[Place]") -> None:
    """Refuse a `PATTERN=WORD` whose pattern fits none of the scans."""
    for text in texts:
        if not any(holds_for(split(text)[0], str(scan)) for scan in scans):
            raise UsageError(
                f"{option} {text}, which fits no scan",
                needed="a pattern of names of scans, without their folder",
                remedy=f"write for example {option} '{Path(str(scans[0])).stem}*=...'",
            )


def file_option(flag: str, parameter: str, told: str, **more: Any) -> Callable[[Command], Command]:
    """Make an option that names a file; its parameter gets a path, or None."""
    kind = click.Path(path_type=Path)
    return click.option(flag, parameter, metavar="FILE", type=kind, help=told, **more)


def journal_option(told: str) -> Callable[[Command], Command]:
    """Make the option that names the journal; a command says what it does with it."""
    return file_option("--journal", "journal_file", told, envvar=KEYS["journal"].variable)


def _all(*options: Callable[..., Any]) -> Callable[[Command], Command]:
    """Make one decorator of several, in the order of the help text."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


BASE_HELP = """\b
Base lines (--base):
  rim                       the crest of the rim, all round (default)
  rim=MM                    so much above the rim; negative: below it
  depth=MM                  so high over the deepest tips
  cover=MM                  at least so much stone over the highest floor
  plane=PX,PY,PZ,NX,NY,NZ   a point and the way up, in the scan's own frame

A base line that somebody saved beside a scan is obeyed unless --base is given.
"""


def _scan_or_input(_ctx: click.Context, _param: click.Parameter, scan: Path) -> Path:
    return from_input() if str(scan) == STREAM else scan


one_scan = click.argument(
    "scan",
    metavar="SCAN",
    type=click.Path(readable=False, path_type=Path, allow_dash=True),
    callback=_scan_or_input,
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
lab_option = file_option(
    "--lab",
    "lab_file",
    "The lab's stones, bowls and bench; `volest stones --new FILE` starts one.",
    envvar=KEYS["lab"].variable,
)
# Parameters of the options below are called as the fields of Settings that they fill.
measuring = _all(
    click.option("--base", metavar="HOW", help="Base line, as above; rim if nothing is saved."),
    click.option(
        "--unit", type=click.Choice(list(MM_PER_UNIT)), help="Unit of the files; else mm."
    ),
    click.option(
        "--pitch",
        "pitch_mm",
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
_stone = click.option(
    "--stone",
    default=_DEFAULTS.stone,
    show_default=True,
    metavar="NAME",
    help="Stone type; `volest stones` lists them.",
)
_stone_for = click.option(
    "--stone-for",
    "stones_for",
    multiple=True,
    metavar="PATTERN=NAME",
    help="Another stone for scans of such names, for example '*-bite*=type-3'.",
)
_amounts = _all(
    click.option(
        "--wp",
        "wp_ml_per_100g",
        metavar="ML",
        type=Number(),
        help="mL of water per 100 g of powder; else the type's usual.",
    ),
    click.option(
        "--waste",
        "waste_percent",
        default=_DEFAULTS.waste_percent,
        metavar="PERCENT",
        type=Number(),
        help="Share of the cavity mixed on top; else the lab's, "
        f"{_DEFAULTS.waste_percent:g} where it says none.",
    ),
    click.option(
        "--residue",
        "residue_ml",
        default=_DEFAULTS.residue_ml,
        metavar="ML",
        type=Number(),
        help="Fixed part that stays on bowl, spatula and brush; else the lab's, or 0.",
    ),
    click.option(
        "--by",
        default=_DEFAULTS.by,
        show_default=True,
        type=click.Choice(WAYS_OF_DEALING),
        help="Round powder up to steps of the scale or to scoops.",
    ),
    lab_option,
    journal_option(
        "Learn the waste from the pours booked there, unless --waste or --residue is given."
    ),
    click.option(
        "--way",
        type=click.Choice([HAND, VACUUM]),
        default=VACUUM,
        show_default=True,
        help="How it is mixed.",
    ),
    click.option(
        "--stretch",
        "stretch_ml_per_100g",
        metavar="ML",
        type=Number(),
        default=0.0,
        help="More water per 100 g for a longer pour, held inside the stone's range.",
    ),
    click.option(
        "--second-pour",
        "second_pour_mm",
        metavar="MM",
        type=Number(least=0),
        help="A base of this height under the first pour; 0 for none.",
    ),
)
mixing = _all(_stone, _amounts)
sizing = _all(measuring, _stone, _stone_for, _amounts)


def running(*, out_needed: bool) -> Callable[[Command], Command]:
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
    *,
    base: str | None = None,
    stones_for: Sequence[str] = (),
    lab_file: Path | None = None,
    journal_file: Path | None = None,
    second_pour_mm: float | None = None,
    **fields: Any,
) -> Settings:
    """Turn options of `measuring`, `mixing` or `sizing` into settings; written words win."""
    from volest.journal import with_waste

    ctx = click.get_current_context()
    settings = Settings(
        base=parse_base("rim" if base is None else base),
        obey_saved=base is None or is_from_file("base"),
        stones_for=tuple(_with_pattern(text) for text in stones_for),
        **fields,
    )
    lab = lab_from(lab_file).with_height(second_pour_mm)
    if is_from_file("stone"):
        check_default_stone(settings.stone, lab)
    if is_from_file("stones_for"):
        for _, stone in settings.stones_for:
            check_default_stone(stone, lab, "stone_for")
    if journal_file is not None and is_from_file("journal_file") and not journal_file.exists():
        say(f"no journal {journal_file} yet: the waste is as set")
        journal_file = None

    def written(name: str) -> bool:
        unsaid = (None, click.core.ParameterSource.DEFAULT)  # None: the command has no such option
        return ctx.get_parameter_source(name) not in unsaid

    return with_waste(
        # The scoop was weighed with the usual stone.
        replace(settings, lab=lab, scoop_stone=ctx.lookup_default("stone")),
        waste_percent=settings.waste_percent if written("waste_percent") else None,
        residue_ml=settings.residue_ml if written("residue_ml") else None,
        journal_file=journal_file,
    )


def _with_pattern(text: str) -> tuple[str, str]:
    pattern, stone = split(text)
    if not pattern or not stone:
        raise UsageError(
            f"--stone-for {text}",
            needed="a pattern of names of scans, and their stone",
            remedy="write for example --stone-for '*-bite*=type-3'; --stone is for all the others",
        )
    return pattern, stone


def lab_from(lab_file: Path | None) -> Lab:
    """Read the lab file, if there is one."""
    if lab_file is None:
        return Lab()
    from volest.stone.lab_file import read_lab  # keeps --help quick

    return read_lab(lab_file, named_by=defaults_path() if is_from_file("lab_file") else None)


def limits_of(
    *,
    out: "Place | None",
    no_sheet: bool,
    cluster: str | None,
    workers: int | None,
    memory_mb: int | None,
    seconds_each: float | None,
) -> "Limits":
    """Give what a run may take here; refuse options of a run that do not go together."""
    from volest.batch.workers import SECONDS_EACH, Limits, check_limits

    here = (workers, memory_mb, seconds_each)
    if cluster is not None and any(limit is not None for limit in here):
        raise UsageError(
            "--workers, --memory or --seconds-each with --cluster",
            needed="limits of this computer only where it does the work",
            remedy="give the workers of the cluster their limits where they are started",
        )
    if no_sheet and out is None:
        raise UsageError("--no-sheet without --out", needed="--out DIR", remedy="leave it out")
    seconds = SECONDS_EACH if seconds_each is None else seconds_each
    limits = Limits(workers=workers, memory_mb=memory_mb, seconds_each=seconds)
    check_limits(limits)
    return limits


def wants_sheet(out: "Place | None", *, no_sheet: bool, cluster: str | None) -> bool:
    """Say whether a sheet goes into a folder: its cards are made and kept on this computer."""
    return isinstance(out, Path) and not no_sheet and cluster is None


def examined(scan: Path, settings: Settings, cavity: int | None) -> "tuple[Result, Cavity]":
    """Examine one impression, and say so if the scan has others and none was asked for."""
    from volest.pipeline import examine  # keeps --help quick

    result, found = examine(scan, settings, cavity or 1)
    if cavity is None and result.cavities > 1:
        say(f"{scan.name} has {result.cavities} impressions; this is 1, --cavity N gives another")
    return result, found
