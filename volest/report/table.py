"""Results as a table for people: figures first, then the doubts and what to do about them."""

import io
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rich.box import Box
from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from volest.notes import Note
from volest.report.names import TIE, folded, pieces, short_names, shortened, tied, visible
from volest.report.remarks import (
    CAUTIONS,
    as_planned,
    batch_lines,
    before_lines,
    bowl_lines,
    doubts,
    how_to_read,
    made_with,
    pour_lines,
    refusals,
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
_HEADS_OF_STONES = (_HEADS[0], "stone", *_HEADS[1:])
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
    """The cells of one impression, ready to be set.

    Parameters
    ----------
    stone : str
        Stone of the first pour; empty where all scans of the run take the same.
    volume : str
        Volume with its interval, mL; decimal points stand under each other.
    powder, water, scoops : str
        Powder in g, water in mL, full scoops and what is weighed on top; of each mix.
    base : str
        How the base line was found, and how far it was moved.
    notes : tuple of str
        Codes of the doubts, or one word.
    """

    name: str
    stone: str
    volume: str
    powder: str
    water: str
    scoops: str
    base: str
    notes: tuple[str, ...]
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
    volumes, stones = _volumes(results), _stones(results)
    return [
        _row(
            result,
            base,
            planned=() if plan is None else plan.notes_of(result.name),
            name=name,
            stone=stone,
            volume=volume,
            shared=mixes.get(result.name),
        )
        for result, name, stone, volume in zip(results, names, stones, volumes, strict=True)
    ]


def _row(
    result: Result,
    asked: Base,
    *,
    planned: Sequence[Note],
    name: str,
    stone: str,
    volume: str,
    shared: int | None,
) -> Row:
    mix, base = result.mix, result.base_line
    amounts = (BLANK,) * 3
    if shared is not None:
        amounts = (f"mix {shared}", f"mix {shared}", BLANK)
    elif mix is not None:
        amounts = (powder_cell(mix), water_cell(mix), scoops_cell(mix))
    refused = result.outcome == REFUSED
    codes = tuple(dict.fromkeys(visible(note.code) for note in (*planned, *result.notes)))
    return Row(
        name=name,
        stone=stone,
        volume=volume,
        powder=amounts[0],
        water=amounts[1],
        scoops=amounts[2],
        base=BLANK if base is None else _base_words(base.how, asked),
        notes=(_refusal(result), *codes) if refused else codes or (NO_NOTE,),
        refused=refused,
    )


def _base_words(how: str, asked: Base) -> str:
    moved = how == asked.how and asked.offset_mm != 0
    return f"{visible(how)} {asked.offset_mm:+.1f} mm" if moved else visible(how)


def _refusal(result: Result) -> str:
    return "REFUSED" if result.code is None else f"REFUSED {visible(result.code)}"


def _stones(results: Sequence[Result]) -> list[str]:
    stones = [BLANK if result.mix is None else visible(result.mix.stone) for result in results]
    return stones if len(set(stones) - {BLANK}) > 1 else [""] * len(stones)


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
    late: Collection[str] = () if plan is None else plan.late
    above: list[RenderableType] = [] if brief else [Text(tied(made_with(settings)))]
    if folder:
        above.append(Text(f"folder {folder}", overflow="fold"))
    figures: list[RenderableType] = (
        [_figures(rows(results, names, settings.base, plan), width)] if results else []
    )
    cautions: list[RenderableType] = [] if brief else [Text(caution) for caution in CAUTIONS]
    shared = [] if plan is None else shared_lines(plan, settings)
    measured = any(result.mix is not None for result in results)
    below: list[list[RenderableType]] = [
        _lines(how_to_read(settings, shared=plan is not None and bool(plan.sharers)))
        if measured and not brief
        else [],
        _lines(before_lines(results, names)),
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
        emoji=False,  # nor are their thousand names read
    )
    for part in parts:
        console.print(part, markup=False, highlight=False)
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
