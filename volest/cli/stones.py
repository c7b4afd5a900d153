"""The command `stones`: the stone types, each figure with unit, source and mark."""

from collections.abc import Iterator
from typing import Any

import click

from volest.cli.mix import write_json
from volest.stone.bench import BENCH_FIGURES
from volest.stone.types import STONE_TYPES, Band, Figure

# Wide enough for the longest source, so that a piped table has one line a figure.
PIPED_WIDTH = 200


@click.command("stones")
@click.option(
    "--json", "json_file", metavar="FILE", help="Write the types as JSON; - writes only that."
)
def stones_command(*, json_file: str | None) -> None:
    """List the stone types and where their figures come from."""
    if json_file is not None:
        write_json(_record(), json_file)
    if json_file != "-":
        _print_table()


def _record() -> dict[str, Any]:
    return {
        "stones": [
            {
                "stone": kind.name,
                "title": kind.title,
                "figures": [{"figure": n, **f.as_record()} for n, f in kind.figures()],
            }
            for kind in STONE_TYPES.values()
        ],
        "bench": [{"figure": n, **f.as_record()} for n, f in BENCH_FIGURES.items()],
    }


def _groups() -> Iterator[tuple[str, str, tuple[tuple[str, Figure | Band], ...]]]:
    for kind in STONE_TYPES.values():
        yield kind.name, kind.title, kind.figures()
    yield "all", "every type", tuple(BENCH_FIGURES.items())


def _print_table() -> None:
    from rich.console import Console  # keeps --help quick
    from rich.table import Table  # keeps --help quick

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console = Console(width=PIPED_WIDTH, highlight=False, markup=False, emoji=False)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("stone", "figure", "value", "unit", "mark", "source"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("stone", "value"))
    for name, title, figures in _groups():
        table.add_row(name, title, style="bold")
        for figure_name, figure in figures:
            table.add_row(name, figure_name, str(figure), figure.unit, figure.mark, figure.source)
    console.print(table)
    console.print("\nThe powder maker's sheet wins over every figure here.")
