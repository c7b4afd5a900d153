"""The command `settings`: what holds where nothing is said, and where that comes from."""

import os
from pathlib import Path
from typing import Any

import click

from volest.cli.console import say
from volest.cli.default_keys import KEYS
from volest.cli.defaults import (
    VARIABLE,
    check_default_stone,
    defaults_path,
    read_defaults,
)
from volest.cli.patterns import split
from volest.errors import UsageError
from volest.lab import Lab
from volest.settings import Settings

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


@click.command("settings", help=_HELP)
@click.option("--new", is_flag=True, help="Start the file, all explained in it.")
def settings_command(*, new: bool) -> None:
    """Show or start the defaults; the words for a person stand in `_HELP`."""
    path = defaults_path()
    if new:
        _start(path)
        return
    values = read_defaults(path)
    _check_lab(values)
    there = "" if path is not None and path.is_file() else " (not there; --new starts it)"
    lines = [f"{'file':<9} {_NONE if path is None else f'{path}{there}'}"]
    for name, key in KEYS.items():
        value, origin = _in_force(name, values)
        lines.append(f"{name:<9} {_NONE if value is None else value:<14} {origin:<11} {key.says}")
    from volest.sheet.names import visible  # keeps --help quick

    for line in lines:
        click.echo(visible(line))


def _check_lab(values: dict[str, Any]) -> None:
    """Refuse a lab file that cannot be read, and a stone that it does not know."""
    from volest.stone.lab_file import read_lab  # keeps --help quick

    lab_file, origin = _in_force("lab", values)
    named_by = defaults_path() if origin == "file" else None
    lab = Lab() if lab_file is None else read_lab(Path(lab_file), named_by=named_by)
    if "stone" in values:
        check_default_stone(values["stone"], lab)
    for _, stone in map(split, values.get("stone_for", ())):
        check_default_stone(stone, lab, "stone_for")


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
