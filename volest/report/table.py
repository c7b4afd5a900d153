"""Results as a table for people: figures first, then the doubts and what to do about them."""

import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from rich.box import Box
from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from volest.report.names import TIE, folded, pieces, short_names, shortened, tied, visible
from volest.report.remarks import (
    CAUTIONS,
    as_planned,
    batch_lines,
    how_to_read,
    made_with,
    scan_lines,
    shared_lines,
    tally,
)
from volest.result import REFUSED, Result
from volest.settings import Base, Settings
from volest.stone.shared import Plan
from volest.stone.words import powder_cell, scoops_cell, water_cell

READING_WIDTH = 80  # longer sentences are hard to follow at arm's length
_WIDEST = 10_000  # for a pipe: no line of the table is ever broken
_GAP = 2
_WIDEST_NAME = 40  # one long name must not push the figures away from all the others
_NARROWEST_NAME = 14  # a case number can still be told from its neighbour
_NAME_LINES = 2  # a longer name is shortened in its middle; it stands in full in the files
_HEADS = ("volume\nmL", "water\nmL", "powder\ng", "or scoops\n+ water", "base\nline")
_LEFT_SET = (_HEADS[0], "stone", "base\nline")  # words; the volume lines up its own points
_RULED = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)
_BOLD, _ALARM = "bold", "bold red"
BLANK = "-"
NO_NOTE = "none"
_STEPS_PER_ML = 10  # a tenth of a mL: finer than a measuring cylinder is read at the bench
_PLAIN = Base()
_ROUNDING_NOISE = 6  # decimals; 1.1 mL times ten must not be rounded up to twelve tenths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """The cells of one impression, ready to be set."""

    name: str
    stone: str  # of the first pour; empty where all scans of the run take the same
    volume: str  # with its interval, mL; decimal points stand under each other
    powder: str  # in g; of each mix
    water: str  # in mL
    scoops: str  # full ones, and the water that goes with them
    base: str  # how the base line was found, and how far it was moved
    notes: tuple[str, ...]  # codes of the doubts, or one word
    refused: bool

    @property
    def noted(self) -> bool:
        """Whether anything has to be looked at."""
        return self.notes != (NO_NOTE,)

    def figures(self) -> tuple[str, ...]:
        """Give the cells that may never be cut, stone among them where there are several."""
        stone = (self.stone,) if self.stone else ()
        return self.volume, *stone, self.water, self.powder, self.scoops, self.base


def rows(
    results: Sequence[Result],
    names: Sequence[str],
    base: Base = _PLAIN,
    plan: Plan | None = None,
) -> list[Row]:
    """Turn results into rows; who shares a mix of the plan is told its number, and no amounts."""
    mixes = {} if plan is None else plan.sharers
    stones = [BLANK if result.mix is None else visible(result.mix.stone) for result in results]
    several = len(set(stones) - {BLANK}) > 1
    made = []
    for result, name, stone, volume in zip(results, names, stones, _volumes(results), strict=True):
        mix, shared, found = result.mix, mixes.get(result.name), result.base_line
        cells = [BLANK] * 3
        if shared is not None:
            cells = [f"mix {shared}"] * 2 + [BLANK]
        elif mix is not None:
            cells = [powder_cell(mix), water_cell(mix), scoops_cell(mix)]
        notes = (*(() if plan is None else plan.notes_of(result.name)), *result.notes)
        codes = tuple(dict.fromkeys(visible(note.code) for note in notes))
        refused = result.outcome == REFUSED
        if refused:
            codes = ("REFUSED" + (f" {visible(result.code)}" if result.code else ""), *codes)
        made.append(
            Row(
                name=name,
                stone=stone if several else "",
                volume=volume,
                powder=cells[0],
                water=cells[1],
                scoops=cells[2],
                base=BLANK if found is None else _base_words(found.how, base),
                notes=codes or (NO_NOTE,),
                refused=refused,
            )
        )
    return made


def _base_words(how: str, asked: Base) -> str:
    moved = how == asked.how and asked.offset_mm != 0
    return f"{visible(how)} {asked.offset_mm:+.1f} mm" if moved else visible(how)


def _volumes(results: Sequence[Result]) -> list[str]:
    middles = [tenths(result.volume_ml, round) for result in results]
    widest = max((len(middle) for middle in middles), default=0)
    # Outwards, so that the interval in the table is never narrower than the one that was found.
    lows = [tenths(result.volume_low_ml, math.floor) for result in results]
    highs = [tenths(result.volume_high_ml, math.ceil) for result in results]
    return [
        f"{middle:>{widest}}" + (f" ({low}-{high})" if BLANK not in {low, high} else "")
        for middle, low, high in zip(middles, lows, highs, strict=True)
    ]


def tenths(value: float | None, rounded: Callable[[float], int]) -> str:
    """Write a volume in tenths of a mL, the ends of an interval by `math.floor` and `math.ceil`.

    >>> tenths(1.1, math.ceil), tenths(1.11, math.ceil), tenths(None, round)
    ('1.1', '1.2', '-')
    """
    if value is None or not math.isfinite(value):
        return BLANK
    return f"{rounded(round(value * _STEPS_PER_ML, _ROUNDING_NOISE)) / _STEPS_PER_ML:.1f}"


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
    before, bowls, pours = scan_lines(results, names)
    above = [] if brief else [tied(made_with(settings))]
    above += [f"folder {folder}"] if folder else []
    total = [tally(results, () if plan is None else plan.late)]
    if not brief:
        total += batch_lines(results, plan)
    to_read: list[str] = []
    if not brief and any(result.mix is not None for result in results):
        to_read = how_to_read(settings, shared=plan is not None and bool(plan.sharers))
    figures = [_figures(rows(results, names, settings.base, plan), width)] if results else []
    blocks: list[Sequence[RenderableType]] = [
        [Text(line, overflow="fold") for line in above],
        figures,
        _hung(to_read),
        _hung(before),
        _hung(bowls if plan is None else ()),
        _hung(pours),
        _hung(() if plan is None else shared_lines(plan, settings)),
        *_told(results, names),
        _hung(total),
        [] if brief else [Text(caution) for caution in CAUTIONS],
    ]
    reading = min(width or READING_WIDTH, READING_WIDTH)
    columns = {id(figures): width or _WIDEST}
    return "\n".join(
        _drawn(part, columns.get(id(part), reading), styled=styled, encoding=encoding)
        for part in blocks
        if part
    )


def _hung(texts: Sequence[str]) -> list[RenderableType]:
    # The first is a heading, and what is indented hangs under its own beginning.
    return [
        _indented(Text(tied(text.strip()), overflow="fold"), len(text) - len(text.lstrip()))
        for text in texts
    ]


def _indented(part: RenderableType, cells: int) -> Padding:
    return Padding(part, (0, 0, 0, cells))


def _told(
    results: Sequence[Result], names: Sequence[str]
) -> tuple[list[RenderableType], list[RenderableType]]:
    """Tell every note in full, and why scans were refused; each scan's under its name."""
    notes: list[RenderableType] = [Text("Notes, and what to do", _BOLD)]
    refusals: list[RenderableType] = [Text("Refused, and how to mend it", _ALARM)]
    for result, name in zip(results, names, strict=True):
        head = _indented(Text(name, overflow="fold"), 2)
        grid = Table.grid(padding=(0, 2))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for note in result.notes:
            grid.add_row(Text(visible(note.code), _BOLD), Text(tied(visible(note.text))))
            grid.add_row(Text(), Text(tied(f"Do: {visible(note.do)}")))
        if result.notes:
            notes += [head, _indented(grid, 4)]
        if result.outcome == REFUSED:
            reason = tied(visible(result.reason or "no reason was given"))
            refusals += [head, _indented(Text(reason, overflow="fold"), 4)]
    return notes[1:] and notes, refusals[1:] and refusals


def _drawn(parts: Sequence[RenderableType], columns: int, *, styled: bool, encoding: str) -> str:
    raw = io.BytesIO()
    console = Console(
        file=io.TextIOWrapper(raw, encoding="utf-8", newline="\n", write_through=True),
        width=columns,
        force_terminal=styled,
        color_system="standard" if styled else None,
        legacy_windows=False,
        emoji=False,  # nor are their thousand names read
    )
    for part in parts:
        console.print(part, markup=False, highlight=False)
    lines = raw.getvalue().decode("utf-8").replace(TIE, " ").split("\n")
    text = "\n".join(line.rstrip() for line in lines)
    return text.encode(encoding, "backslashreplace").decode(encoding)


def _figures(lines: Sequence[Row], width: int | None) -> RenderableType:
    """Set the table; every width is given: what rich squeezed would be a wrong figure."""
    heads = (_HEADS[0], "stone", *_HEADS[1:]) if lines[0].stone else _HEADS
    codes = [", ".join(line.notes) for line in lines]
    firm = {
        head: max(_widest(head), *(cell_len(line.figures()[at]) for line in lines))
        for at, head in enumerate(heads)
    }
    # Names and codes share what the figures leave; names first, they cannot wait.
    room = (width or _WIDEST) - sum(firm.values()) - _GAP * (len(firm) + 1)
    longest = [cell_len(line.name) for line in lines]
    names = min(_WIDEST if width is None else _WIDEST_NAME, max(_widest("scan"), *longest))
    notes = max(_widest("notes"), *map(cell_len, codes))
    if names + notes > room:
        least = max(cell_len(piece) for code in codes for piece in pieces(code))
        names = min(names, max(room - notes, room - max(least, room // 3)))
        notes = room - names
    if names < min(_NARROWEST_NAME, *longest):
        return _stacked(lines, heads, codes)
    # The box brings one cell between columns, the padding the rest of the gap.
    grid = Table(box=_RULED, show_edge=False, padding=(0, _GAP - 1, 0, 0), pad_edge=False)
    grid.add_column("scan", width=names, overflow="fold", vertical="top")
    for head, cells in firm.items():
        side: Literal["left", "right"] = "left" if head in _LEFT_SET else "right"
        grid.add_column(head, width=cells, no_wrap=True, justify=side)
    grid.add_column("notes", width=notes)
    for line, code in zip(lines, codes, strict=True):
        *amounts, base = line.figures()
        grid.add_row(
            Text(folded(shortened(line.name, names * _NAME_LINES), names)),
            *(Text(amount, _BOLD) for amount in amounts),
            Text(base),
            Text(folded(code, notes), _ALARM if line.refused else ""),
        )
    return grid


def _stacked(lines: Sequence[Row], heads: Sequence[str], codes: Sequence[str]) -> RenderableType:
    """Set one scan under the other, for a window too narrow for a table."""
    blocks: list[RenderableType] = []
    for line, code in zip(lines, codes, strict=True):
        block = Table.grid(padding=(0, _GAP))
        block.add_column()
        block.add_column(overflow="fold")
        for head, figure in zip(heads, line.figures(), strict=True):
            block.add_row(Text(head.replace("\n", " ")), Text(figure.strip(), _BOLD))
        block.add_row(Text("notes"), Text(code, _ALARM if line.refused else ""))
        blocks += [Text(line.name, overflow="fold"), _indented(block, _GAP), Text()]
    return Group(*blocks[:-1])  # no empty line under the last


def _widest(head: str) -> int:
    return max(cell_len(part) for part in head.split("\n"))
