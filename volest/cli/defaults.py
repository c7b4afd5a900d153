"""The file of a user's own defaults: found in the usual place, checked, handed to the commands."""

import difflib
import os
from pathlib import Path
from typing import Any

import click

from volest.cli.default_keys import KEYS
from volest.cli.patterns import split
from volest.errors import UsageError
from volest.given_files import GivenFileError, toml_of
from volest.lab import Lab
from volest.settings import PITCH_RANGE_MM, parse_base

VARIABLE = "VOLEST_SETTINGS"
NAME = "defaults.toml"


def defaults_path() -> Path | None:
    """Say where the file is looked for."""
    named = os.environ.get(VARIABLE)
    if named is None:
        return Path(click.get_app_dir("volest")) / NAME
    return Path(named) if named else None


def read_defaults(path: Path | None) -> dict[str, Any]:
    """Read the file."""
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
    from volest.stone.own import find_stone  # keeps --help quick

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
