"""The command `stones`: the stones and windows, each figure with unit, source and mark."""

import os
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

import click

from volest.cli.lab_options import LAB_OPTION, lab_from
from volest.cli.mix import write_json
from volest.errors import UsageError
from volest.stone.bench import BENCH_FIGURES
from volest.stone.figure import Band, Figure
from volest.stone.own import all_stones
from volest.stone.types import StoneType
from volest.stone.windows import WINDOWS

# Wide enough for the longest source, so that a piped table has one line a figure.
PIPED_WIDTH = 200


@click.command("stones")
@LAB_OPTION
@click.option("--new", "new_file", metavar="FILE", help="Start a lab file, all explained in it.")
@click.option(
    "--json", "json_file", metavar="FILE", help="Write the types as JSON; - writes only that."
)
def stones_command(*, lab_file: Path | None, new_file: str | None, json_file: str | None) -> None:
    """List the stones and where their figures come from."""
    if new_file is not None:
        _start_lab_file(new_file)
        return
    stones = all_stones(lab_from(lab_file))
    if json_file is not None:
        write_json(_record(stones), json_file)
    if json_file != "-":
        _print_table(stones)


def _start_lab_file(target: str) -> None:
    from volest.sheet.names import visible  # keeps --help quick
    from volest.sheet.target import check_target, write_whole  # keeps --help quick

    text = resources.files("volest.stone").joinpath("lab_start.toml").read_text(encoding="utf-8")
    if target == "-":
        click.echo(text, nl=False)
        return
    if os.path.lexists(target):
        raise UsageError(
            f"{target}, which is there already",
            needed="a new file, so that no lab's figures are lost",
            remedy="name another --new FILE, or '-' to read it on the screen",
        )
    check_target(Path(target))
    write_whole(Path(target), text)
    shown = visible(target)
    click.echo(f"wrote {shown}; use it with --lab {shown}", err=True)


def _record(stones: Sequence[StoneType]) -> dict[str, Any]:
    return {
        "stones": [
            {
                "stone": kind.name,
                "title": kind.title,
                "figures": [{"figure": n, **f.as_record()} for n, f in kind.figures()],
            }
            for kind in stones
        ],
        "bench": [{"figure": n, **f.as_record()} for n, f in BENCH_FIGURES.items()],
        "windows": [
            {
                "material": window.material,
                "earliest": window.earliest.as_record(),
                "latest": window.latest.as_record(),
            }
            for window in WINDOWS.values()
        ],
    }


def _groups(
    stones: Sequence[StoneType],
) -> Iterator[tuple[str, str, Sequence[tuple[str, Figure | Band]]]]:
    for kind in stones:
        yield kind.name, kind.title, kind.figures()
    yield "all", "every type", tuple(BENCH_FIGURES.items())
    for window in WINDOWS.values():
        ends = (("pour not before", window.earliest), ("pour not after", window.latest))
        yield window.material, "impression material", ends


def _print_table(stones: Sequence[StoneType]) -> None:
    from rich.console import Console  # keeps --help quick
    from rich.table import Table  # keeps --help quick

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console = Console(width=PIPED_WIDTH, highlight=False, markup=False, emoji=False)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("for", "figure", "value", "unit", "mark", "source"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("for", "value"))
    for name, title, figures in _groups(stones):
        table.add_row(name, title, style="bold")
        for figure_name, figure in figures:
            table.add_row(name, figure_name, str(figure), figure.unit, figure.mark, figure.source)
    console.print(table)
    console.print("\nThe makers' sheets win over every figure here.")
