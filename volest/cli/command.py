"""What commands have in common: the lab's file in force, and help with daily options first."""

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import click

from volest.lab import Lab
from volest.settings import NAMED, SETTINGS
from volest.system import own_folder

LAB_FILE = "lab.toml"
LAB_VARIABLE = str(NAMED["lab_file"].variable)
_LAB = "volest.lab"  # among what a command knows of its call


def _flags(*groups: str) -> list[str]:
    return [setting.flag for group in groups for setting in SETTINGS[group]]


HEADINGS = {
    "Base line and scan": (*_flags("measuring"), "--cavity"),
    "Stone and mix": (*_flags("stone", "stones", "amounts"), "--footprint"),
    "Mixes for several impressions": ("--share", "--at-most", *_flags("day"), "--age", "--start"),
    "What is written": (
        *("--out", "--no-sheet", "--sheet", "--json", "--csv", "--json-lines"),
        *("--picture", "--outline", "--plot", "--curve", "--dry"),
    ),
    "How it runs": (
        *("--workers", "--memory", "--seconds-each", "--cluster", "--quiet", "--verbose"),
        *("--help", "--help-all"),
    ),
}
_DAILY = frozenset(
    {"--base", "--stone", "--by", "--lab", "--share", "--material", "--taken", "--out", "--sheet"}
    | {
        "--json",
        "--csv",
        "--picture",
        "--outline",
        "--curve",
        "--cavity",
        "--journal",
        "--help",
        "--help-all",
    }
    | {"--left", "--short", "--from", "--scan", "--lot", "--footprint", "--stone-for", "--kind"}
    | {"--outcome", "--base-pour", "--again"}
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
        if len(params) < _MANY:
            return params
        return [*params, _HELP_ALL]

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options under their headings, or only the daily ones."""
        options = [param for param in self.get_params(ctx) if isinstance(param, click.Option)]
        if _HELP_ALL in options and not ctx.meta.get(ALL):
            daily = [option for option in options if _DAILY.intersection(option.opts)]
            self._write("Daily options", daily, ctx, formatter)
            return
        for heading, names in HEADINGS.items():
            under = [option for option in options if set(names).intersection(option.opts)]
            self._write(heading, under, ctx, formatter)
        known = {name for names in HEADINGS.values() for name in names}
        others = [option for option in options if not known.intersection(option.opts)]
        self._write("Options", others, ctx, formatter)

    @staticmethod
    def _write(
        heading: str,
        options: Iterable[click.Option],
        ctx: click.Context,
        formatter: click.HelpFormatter,
    ) -> None:
        rows = [row for row in (option.get_help_record(ctx) for option in options) if row]
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
