"""A user's own defaults: keys, file, and the command `settings` that shows what holds."""

import difflib
import os
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import click

from volest.cli.console import say
from volest.errors import UsageError
from volest.given_files import GivenFileError, toml_of
from volest.lab import HAND, VACUUM, Lab
from volest.settings import MM_PER_UNIT, PITCH_RANGE_MM, WAYS_OF_DEALING, Settings, parse_base

VARIABLE = "VOLEST_SETTINGS"
NAME = "defaults.toml"
_NONE = "none"
_HELP = f"""Show what holds where the command line says nothing, and where it comes from.

A word on the command line goes before the environment, that before the file of defaults, that
before what is built in. The file is found in the usual place of your computer; {VARIABLE} names
another one, and no file at all where it is empty.

\b
Examples:
  volest settings
  volest settings --new
"""
_MEASURING = ("size", "watch", "show", "view")
_OF_SCANS = ("size", "watch", "show", "view")
_MIXING = (*_OF_SCANS, "mix")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Key:
    """One key of the file, and the option that it fills."""

    parameter: str  # name of the option inside its commands
    commands: tuple[str, ...]
    kind: type
    says: str  # for the list and for a new file
    example: str  # a line as it would stand in the file
    variable: str | None = None  # of the environment; goes before the file
    choices: tuple[str, ...] = ()

    @property
    def is_path(self) -> bool:
        """Whether the value is a file, looked for beside the file of defaults."""
        return self.parameter.endswith("_file")


KEYS = MappingProxyType(
    {
        "lab": Key(
            parameter="lab_file",
            commands=(*_MIXING, "log", "stones"),
            kind=str,
            says="the lab file: stones, bowls, bench, waste",
            example='lab = "lab.toml"',
            variable="VOLEST_LAB",
        ),
        "journal": Key(
            parameter="journal_file",
            commands=(*_MIXING, "log"),
            kind=str,
            says="the journal, from which waste is learned",
            example='journal = "lab.db"',
            variable="VOLEST_JOURNAL",
        ),
        "stone": Key(
            parameter="stone",
            commands=(*_MIXING, "log"),
            kind=str,
            says="stone of the first pour",
            example='stone = "type-4"',
        ),
        "stone_for": Key(
            parameter="stones_for",
            commands=_OF_SCANS,
            kind=list,
            says="other stones for some scans, by their names",
            example="stone_for = ['*-bite*=type-3']",
        ),
        "by": Key(
            parameter="by",
            commands=_MIXING,
            kind=str,
            says="powder by gram or by scoop",
            example='by = "gram"',
            choices=WAYS_OF_DEALING,
        ),
        "way": Key(
            parameter="way",
            commands=(*_MIXING, "log"),
            kind=str,
            says="mixed by hand or under vacuum",
            example='way = "vacuum"',
            choices=(HAND, VACUUM),
        ),
        "base": Key(
            parameter="base",
            commands=_MEASURING,
            kind=str,
            says="base line; a saved one goes before it",
            example='base = "rim=-1.5"',
        ),
        "unit": Key(
            parameter="unit",
            commands=_MEASURING,
            kind=str,
            says="unit of the files",
            example='unit = "mm"',
            choices=tuple(MM_PER_UNIT),
        ),
        "pitch": Key(
            parameter="pitch_mm",
            commands=_MEASURING,
            kind=float,
            says="width of a column, in mm",
            example="pitch = 0.4",
        ),
    }
)


def split(text: str) -> tuple[str, str]:
    """Part `[PATTERN=]WORD`; the pattern is empty where there is none."""
    pattern, _, word = text.rpartition("=")
    return pattern, word


def defaults_path() -> Path | None:
    """Say where the file is looked for."""
    named = os.environ.get(VARIABLE)
    if named is None:
        return Path(click.get_app_dir("volest")) / NAME
    return Path(named) if named else None


def read_defaults(path: Path | None) -> dict[str, Any]:
    """Read the file, its values by key; files in it lie beside it, and one that is named exists."""
    if path is None or not (path.exists() or os.environ.get(VARIABLE)):
        return {}
    if not path.exists():
        raise UsageError(
            f"no file {path}, which {VARIABLE} names",
            needed="your defaults file",
            remedy=f"mend the name, unset {VARIABLE}, or start the file: volest settings --new",
        )
    try:
        values = toml_of(path)
    except GivenFileError as fault:
        raise UsageError(
            f"{path}: {fault}", needed="defaults in TOML", remedy="mend it or move it away"
        ) from fault
    return {name: _checked(path, name, value) for name, value in values.items()}


def _checked(path: Path, name: str, value: object) -> object:
    if name not in KEYS:
        near = difflib.get_close_matches(name, KEYS, n=1, cutoff=0.75)
        raise UsageError(
            f"{path}: {name} = {value!r}",
            needed=f"one of {', '.join(KEYS)}" + (f" ({near[0]}?)" if near else ""),
            remedy="mend it or leave it out; waste, scoop, bowls and base stand in the lab file",
        )
    key = KEYS[name]
    needed = _needed(name, value)
    if needed is not None:
        raise UsageError(
            f"{path}: {name} = {value!r}", needed=needed, remedy=f"write for example {key.example}"
        )
    return str(path.parent / Path(str(value)).expanduser()) if key.is_path else value


def _needed(name: str, value: Any) -> str | None:
    """Say what is needed where a value cannot be meant."""
    key = KEYS[name]
    if key.kind is list:
        right = isinstance(value, list) and all(isinstance(v, str) and all(split(v)) for v in value)
        return None if right else "texts in brackets, each with a pattern and its stone"
    fitting = isinstance(value, str) if key.kind is str else isinstance(value, int | float)
    if not fitting or isinstance(value, bool):
        return "a text in quotes" if key.kind is str else "a number"
    if key.choices and value not in key.choices:
        return f"one of {', '.join(key.choices)}"
    finest, coarsest = PITCH_RANGE_MM
    if name == "pitch" and not finest <= value <= coarsest:
        return f"{finest:g} to {coarsest:g} mm"
    if name == "base":
        try:
            parse_base(value)
        except UsageError as fault:
            return fault.needed
    return None


def check_default_stone(name: str, lab: Lab, key: str = "stone") -> None:
    """Refuse a stone of the file that neither the types nor the lab know."""
    from volest.stone.stones import find_stone

    try:
        find_stone(name, lab)
    except UsageError as fault:
        raise UsageError(
            f"{defaults_path()}: {key} = {name!r}",
            needed=fault.needed,
            remedy='mend it there, or name the lab file that has it: lab = "lab.toml"',
        ) from fault


def default_map(values: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Sort values by the commands and options that they hold for."""
    sorted_out: dict[str, dict[str, Any]] = {}
    for name, value in values.items():
        for command in KEYS[name].commands:
            sorted_out.setdefault(command, {})[KEYS[name].parameter] = value
    return sorted_out


def is_from_file(parameter: str) -> bool:
    """Say whether an option of the command at hand was filled from the file."""
    ctx = click.get_current_context(silent=True)
    source = None if ctx is None else ctx.get_parameter_source(parameter)
    return source is click.core.ParameterSource.DEFAULT_MAP


@click.command("settings", help=_HELP)
@click.option("--new", is_flag=True, help="Start the file, all explained in it.")
def settings_command(*, new: bool) -> None:
    """Show or start the defaults; the words for a person stand in `_HELP`."""
    from volest.sheet.names import visible  # keeps --help quick
    from volest.stone.lab_file import read_lab  # keeps --help quick

    path = defaults_path()
    if new:
        _start(path)
        return
    values = read_defaults(path)
    lab_file, origin = _in_force("lab", values)
    named_by = path if origin == "file" else None
    lab = Lab() if lab_file is None else read_lab(Path(lab_file), named_by=named_by)
    if "stone" in values:
        check_default_stone(values["stone"], lab)
    for _, stone in map(split, values.get("stone_for", ())):
        check_default_stone(stone, lab, "stone_for")
    there = "" if path is not None and path.is_file() else " (not there; --new starts it)"
    lines = [f"{'file':<9} {_NONE if path is None else f'{path}{there}'}"]
    for name, key in KEYS.items():
        value, origin = _in_force(name, values)
        lines.append(f"{name:<9} {_NONE if value is None else value:<14} {origin:<11} {key.says}")
    for line in lines:
        click.echo(visible(line))


def _in_force(name: str, values: dict[str, Any]) -> tuple[str | None, str]:
    """Give the value that holds, if any does, and where it comes from."""
    variable = KEYS[name].variable
    if variable is not None and os.environ.get(variable):
        return os.environ[variable], "environment"
    if name in values:
        value = values[name]
        return ", ".join(value) if isinstance(value, list) else str(value), "file"
    settings = Settings()
    built_in = {
        "stone": settings.stone,
        "by": settings.by,
        "way": settings.way,
        "base": str(settings.base),
        "unit": "mm",
        "pitch": f"{settings.pitch_mm:g}",
    }
    return built_in.get(name), "built in"


def _start(path: Path | None) -> None:
    if path is None or path.exists():
        raise UsageError(
            f"{VARIABLE} empty, so no file" if path is None else f"{path}, which is there already",
            needed="a new file, so that nothing is lost",
            remedy=f"name another with {VARIABLE}, or edit the one that is there",
        )
    from volest.sheet.target import write_whole  # keeps --help quick

    lines = ["# Defaults of volest. Take the # off a line to let it hold.", ""]
    for key in KEYS.values():
        lines += [f"# {key.says}", f"#{key.example}", ""]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise UsageError(
            f"{path.parent}, which cannot be made ({fault.strerror})",
            needed="a folder for the file",
            remedy=f"name another file with {VARIABLE}",
        ) from fault
    write_whole(path, "\n".join(lines))
    say(f"wrote {path}")
