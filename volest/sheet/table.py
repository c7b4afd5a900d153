"""Results as a table for people: figures first, then the doubts and what to do about them."""

import io
from collections.abc import Collection, Mapping, Sequence
from typing import Literal

from rich.box import Box
from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from volest.result import Result
from volest.settings import Settings
from volest.sheet.names import TIE, folded, pieces, short_names, shortened, tied
from volest.sheet.pours import as_planned, batch_lines, bowl_lines, pour_lines, shared_lines
from volest.sheet.remarks import CAUTIONS, doubts, how_to_read, made_with, refusals, tally
from volest.sheet.rows import Row, rows
from volest.stone.plan import Plan

READING_WIDTH = 80  # longer sentences are hard to follow at arm's length
_WIDEST = 10_000  # for a pipe: no line of the table is ever broken
_GAP = 2
_WIDEST_NAME = 40  # one long name must not push the figures away from all the others
_NARROWEST_NAME = 14  # a case number can still be told from its neighbour
_NAME_LINES = 2  # a longer name is shortened in its middle; it stands in full in the files
_HEADS = ("volume\nmL", "powder\ng", "water\nmL", "scoops", "base\nline")
_HEADS_OF_STONES = (_HEADS[0], "stone", *_HEADS[1:])
_LEFT_SET = (_HEADS[0], "stone", "base\nline")  # words; the volume lines up its own points
_RULED = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)
_BOLD, _ALARM = "bold", "bold red"


def table_text(
    results: Sequence[Result],
    settings: Settings,
    *,
    plan: Plan | None = None,
    width: int | None = None,
    styled: bool = False,
    brief: bool = False,
    encoding: str = "utf-8",
) -> str:
    """Draw the results for a terminal, a pipe or paper.

    Without a width every line of the table is as long as it needs. Bold and red say nothing that
    words do not. Brief leaves out settings and cautions; doubts and refusals always stay.
    Characters that the encoding lacks are written out.
    """
    results = as_planned(results, plan)
    folder, names = short_names([result.name for result in results])
    late: Collection[str] = () if plan is None else plan.late
    above: list[RenderableType] = [] if brief else [Text(tied(made_with(settings)))]
    if folder:
        above.append(Text(f"folder {folder}", overflow="fold"))
    figures: list[RenderableType] = (
        [_figures(rows(results, names, settings.base, late), width)] if results else []
    )
    cautions: list[RenderableType] = [] if brief else [Text(caution) for caution in CAUTIONS]
    shared = [] if plan is None else shared_lines(plan, settings)
    measured = any(result.mix is not None for result in results)
    below: list[list[RenderableType]] = [
        _lines(how_to_read(settings, shared=plan is not None)) if measured and not brief else [],
        _lines(bowl_lines(results, names) if plan is None else []),
        _lines(pour_lines(results, names)),
        _lines(shared),
        doubts(results, names),
        refusals(results, names),
        _lines([tally(results, late), *([] if brief else batch_lines(results, plan))]),
        cautions,
    ]
    reading = min(width or READING_WIDTH, READING_WIDTH)
    blocks: list[tuple[list[RenderableType], int]] = [
        (above, reading),
        (figures, width or _WIDEST),
        *((part, reading) for part in below),
    ]
    return "\n".join(
        _drawn(part, columns, styled=styled, encoding=encoding) for part, columns in blocks if part
    )


def _lines(texts: Sequence[str]) -> list[RenderableType]:
    # The first is a heading, and what is indented hangs under its own beginning.
    return [
        Padding(
            Text(tied(text.strip()), overflow="fold"),
            (0, 0, 0, len(text) - len(text.lstrip())),
        )
        for text in texts
    ]


def _drawn(parts: Sequence[RenderableType], columns: int, *, styled: bool, encoding: str) -> str:
    raw = io.BytesIO()
    console = Console(
        file=io.TextIOWrapper(raw, encoding="utf-8", newline="\n", write_through=True),
        width=columns,
        force_terminal=styled,
        color_system="standard" if styled else None,
        legacy_windows=False,
    )
    for part in parts:
        console.print(part, markup=False, emoji=False, highlight=False)
    lines = raw.getvalue().decode("utf-8").replace(TIE, " ").split("\n")
    text = "\n".join(line.rstrip() for line in lines)
    return text.encode(encoding, "backslashreplace").decode(encoding)


def _figures(lines: Sequence[Row], width: int | None) -> RenderableType:
    firm = {
        head: max(_widest(head), *(cell_len(line.figures()[at]) for line in lines))
        for at, head in enumerate(_heads(lines))
    }
    widest_name = _WIDEST if width is None else _WIDEST_NAME
    room = (width or _WIDEST) - sum(firm.values()) - _GAP * (len(firm) + 1)
    names, notes = _shared_room(lines, room, widest_name)
    if names < min(_NARROWEST_NAME, *(cell_len(line.name) for line in lines)):
        return _stacked(lines)
    return _grid(lines, names=names, firm=firm, notes=notes)


def _shared_room(lines: Sequence[Row], room: int, widest_name: int) -> tuple[int, int]:
    """Deal the cells that the figures leave to names and codes; names first, they cannot wait."""
    names = min(widest_name, max(_widest("scan"), *(cell_len(line.name) for line in lines)))
    notes = max(_widest("notes"), *(cell_len(_codes(line)) for line in lines))
    if names + notes <= room:
        return names, notes
    least = max(cell_len(piece) for line in lines for piece in pieces(_codes(line)))
    names = min(names, max(room - notes, room - max(least, room // 3)))
    return names, room - names


def _grid(
    lines: Sequence[Row], *, names: int, firm: Mapping[str, int], notes: int
) -> RenderableType:
    # The box brings one cell between columns, the padding the rest of the gap.
    grid = Table(box=_RULED, show_edge=False, padding=(0, _GAP - 1, 0, 0), pad_edge=False)
    # Every width is given, so nothing is left for rich to squeeze: a cut figure is a wrong one.
    grid.add_column("scan", width=names, overflow="fold", vertical="top")
    for head, cells in firm.items():
        side: Literal["left", "right"] = "left" if head in _LEFT_SET else "right"
        grid.add_column(head, width=cells, no_wrap=True, justify=side)
    grid.add_column("notes", width=notes)
    for line in lines:
        *amounts, base = line.figures()
        grid.add_row(
            Text(folded(shortened(line.name, names * _NAME_LINES), names)),
            *(Text(amount, _BOLD) for amount in amounts),
            Text(base),
            Text(folded(_codes(line), notes), _ALARM if line.refused else ""),
        )
    return grid


def _stacked(lines: Sequence[Row]) -> RenderableType:
    # One scan under the other, for a window too narrow for a table.
    blocks: list[RenderableType] = []
    for line in lines:
        block = Table.grid(padding=(0, _GAP))
        block.add_column()
        block.add_column(overflow="fold")
        for head, figure in zip(_heads(lines), line.figures(), strict=True):
            block.add_row(Text(head.replace("\n", " ")), Text(figure.strip(), _BOLD))
        block.add_row(Text("notes"), Text(_codes(line), _ALARM if line.refused else ""))
        blocks += [Text(line.name, overflow="fold"), Padding(block, (0, 0, 1, _GAP))]
    blocks[-1] = Padding(block, (0, 0, 0, _GAP))  # no empty line under the last
    return Group(*blocks)


def _heads(lines: Sequence[Row]) -> tuple[str, ...]:
    return _HEADS_OF_STONES if lines[0].stone else _HEADS


def _codes(line: Row) -> str:
    return ", ".join(line.notes)


def _widest(head: str) -> int:
    return max(cell_len(part) for part in head.split("\n"))
