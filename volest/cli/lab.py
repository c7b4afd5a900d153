"""The command `lab`: what is in force and where it comes from, stones and windows with sources."""

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from textwrap import fill, indent
from typing import Any

import click

from volest.cli.console import READING_WIDTH, STREAM, deliver, say
from volest.cli.options import LAB_FILE, LAB_VARIABLE, file_option, lab_in_force, target_option
from volest.errors import UsageError, visible
from volest.lab import Lab
from volest.settings import HABITS
from volest.stone.lab_file import read_lab_and_habits
from volest.stone.reference import (
    BENCH_FIGURES,
    OWN,
    STEPS,
    WINDOWS,
    Band,
    Figure,
    Step,
    StoneType,
    all_stones,
)

_NONE = "none"
LOST = "new impression after"
_HELP = f"""Show which lab's file is in force, its habits, and stones with the sources of figures.

A word on the command line goes before the environment, that before the file, that before what is
built in. The file is the one that --lab or {LAB_VARIABLE} names; else {LAB_FILE} beside the
scans or in a folder above them; else {LAB_FILE} in the usual place of your computer. Here it is
looked for from FOLDER, or from where you are.

\b
Examples:
  volest lab
  volest lab monday/
  volest lab --new lab.toml
  volest lab --lab lab.toml --json stones.json
"""


@click.command("lab", help=_HELP)
@click.argument("folder", required=False, metavar="[FOLDER]", type=click.Path(path_type=Path))
@file_option("--lab", "lab_file", "Show this.")
@target_option("--new", "new_file", "Start a lab file, all explained in it.")
@target_option("--json", "json_file", "Write the types as JSON; - writes only that.")
def lab_command(
    *, folder: Path | None, lab_file: Path | None, new_file: str | None, json_file: str | None
) -> None:
    """Show what is in force; the words for a person stand in `_HELP`."""
    if new_file is not None and json_file is not None:
        raise UsageError("--new and --json", needed="one of them", remedy="leave one out")
    if new_file is not None:
        _start_lab_file(new_file)
        return
    path, origin = (lab_file, "--lab") if lab_file is not None else lab_in_force(folder)
    lab, habits = (Lab(), {}) if path is None else read_lab_and_habits(path)
    stones, bench = [*all_stones(lab).values()], _bench(lab)
    if json_file is not None:
        from volest.report.record import as_text  # keeps --help quick

        deliver(as_text(_record(stones, bench)), json_file)
    if json_file != STREAM:
        _print_habits(path, origin, habits)
        _print_blocks(stones, bench)


def _print_habits(path: Path | None, origin: str, habits: Mapping[str, Any]) -> None:
    where = f"{path} ({origin})" if path else f"{_NONE} (volest lab --new {LAB_FILE} starts one)"
    lines = [f"lab file   {where}", ""]
    built_in = {"base": "rim", "unit": "mm"}
    for key, setting in HABITS.items():
        value, source = setting.default or built_in.get(key), "built in"
        if setting.name in habits:
            value, source = habits[setting.name], "file"
        if setting.variable is not None and os.environ.get(setting.variable):
            value, source = os.environ[setting.variable], "environment"
        shown = ", ".join(value) if isinstance(value, list | tuple) else value
        lines.append(
            f"{key:<10} {_NONE if shown is None else shown!s:<14} {source:<11} {setting.flag}"
        )
    for line in (*lines, ""):
        click.echo(visible(line))


def _bench(lab: Lab) -> Mapping[str, Figure | Band]:
    """Put the lab's scoop and minutes among the figures of the bench, where it has its own."""
    said = {
        "one scoop": lab.bench.scoop_g,
        "pouring a quadrant": lab.time.quadrant_min,
        "pouring an arch": lab.time.arch_min,
        "pouring an arch with dies": lab.time.dies_min,
        "cleaning between mixes": lab.time.cleaning_min,
    }
    own = {
        name: Figure(value, usual.unit, "lab file", OWN)
        for name, value in said.items()
        if isinstance(usual := BENCH_FIGURES[name], Figure) and value != usual.value
    }
    return {**BENCH_FIGURES, **own}


def _start_lab_file(target: str) -> None:
    text = resources.files("volest.stone").joinpath("lab_start.toml").read_text(encoding="utf-8")
    if target != STREAM and os.path.lexists(target):
        raise UsageError(
            f"{target}, which is there already",
            needed="a new file, so that no lab's figures are lost",
            remedy="name another --new FILE, or '-' to read it on the screen",
        )
    deliver(text, target)
    if target != STREAM:
        say(f"it is in force for scans beside {target} and below; elsewhere with --lab {target}")


def _record(stones: Sequence[StoneType], bench: Mapping[str, Figure | Band]) -> dict[str, Any]:
    def named(figures: Iterable[tuple[str, Figure | Band]]) -> list[dict[str, Any]]:
        return [{"figure": name, **figure_record(figure)} for name, figure in figures]

    return {
        "stones": [
            {"stone": kind.name, "title": kind.title, "figures": named(kind.figures())}
            for kind in stones
        ],
        "bench": named(bench.items()),
        "windows": [
            {
                key: figure_record(known) if isinstance(known, Figure) else known
                for key in ("material", "earliest", "latest", "lost", "beyond", "family")
                for known in [getattr(window, key)]
            }
            for window in WINDOWS.values()
        ],
        "steps": STEPS,
    }


def figure_record(figure: Figure | Band) -> dict[str, Any]:
    """Write a figure or a range down under the same keys."""
    return {"value": None, "low": None, "high": None, **asdict(figure)}


def _print_blocks(stones: Sequence[StoneType], bench: Mapping[str, Figure | Band]) -> None:
    blocks: list[tuple[str, Iterable[tuple[str, Figure | Band | Step]]]] = [
        *((f"{kind.name}, {kind.title}", kind.figures()) for kind in stones),
        ("all, every type", bench.items()),
    ]
    for window in WINDOWS.values():
        lost = () if window.lost is None else ((LOST, window.lost),)
        ends = (("pour not before", window.earliest), ("pour not after", window.latest))
        blocks.append((f"{window.material}, impression material", (*ends, *lost)))
    for family, steps in STEPS.items():
        blocks.append((f"{family}, made ready", [(one.text, one) for one in steps]))
    for title, rows in blocks:
        click.secho(visible(title), bold=True)
        for said, known in rows:
            if isinstance(known, Step):
                line = indent(fill(visible(said), READING_WIDTH - 2), "  ")
            else:  # it stays one, however long the name of a currency is
                line = visible(f"  {said:<28}{_readable(known)}")
            ground = fill(visible(f"{known.mark}: {known.source}"), READING_WIDTH - 30)
            click.echo(f"{line}\n{indent(ground, ' ' * 30)}")
        click.echo()
    click.echo("The makers' sheets win over every figure here.")


def _readable(figure: Figure | Band) -> str:
    """Say a figure with its unit, long times in hours or days."""
    ends = (figure.low, figure.high) if isinstance(figure, Band) else (figure.value,)
    for minutes, unit in ((1440.0, "days"), (60.0, "h")):
        longest = figure.unit == "min" and min(ends) >= 2 * minutes
        if longest and all(end % minutes == 0 for end in ends):
            return f"{' to '.join(f'{end / minutes:g}' for end in ends)} {unit}"
    return f"{figure} {figure.unit}"
