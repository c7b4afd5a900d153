"""Results for people: a table of the figures first, then the doubts and what to do about them.

Names and texts from outside are made safe and short enough to show here too, for all who tell them.
"""

import io
import math
import os
import re
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from textwrap import fill
from typing import Literal

from rich.box import Box
from rich.cells import cell_len, chop_cells
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from volest.cavity.trim import Work
from volest.dosing import has_base
from volest.errors import visible
from volest.lab import VACUUM
from volest.notes import Note, hours_in_words
from volest.result import MEASURED, NOTED, REFUSED, Result
from volest.settings import Base, Settings
from volest.stone import words
from volest.stone.mix import OF_THE_BOWL, Mix, powder_in_words, scoop_of, water_in_words
from volest.stone.reference import (
    BEFORE_BASE,
    KINDS,
    SEPARATING,
    find_stone,
    in_words,
)
from volest.stone.shared import Plan, SharedMix, priced, this_minute

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
_ROUNDING_NOISE = 6  # decimals; 1.1 mL times ten must not be rounded up to twelve tenths
# Common practice, no source for the wording; the hazards: NIOSH Pocket Guide npgd0518 (dust), CDC
# 2003 guidelines, MMWR 52(RR17) (disinfect before handling in the laboratory; detail from memory).
CAUTIONS = (
    "Gypsum dust: wear a mask, extract it. Disinfect impressions before scanning.",
    "The makers' instructions and your laboratory's rules win over these figures.",
)
SHARED_APART = "A mix by its number is shared: its water and powder stand below."
_UNKNOWN = "no known weight"
_STALE_MIN = 5.0  # a plan that began so long ago cannot be kept any more
# Also the wide forms of Chinese and Japanese keyboards, and | and % of old spreadsheets.
_FORMULA_STARTS = tuple(
    "=+-@|%\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}"
    "\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)
# Stands for a space that no line ends at. A no-break space would not do, rich ends lines at those;
# and no name from outside brings this one in, `visible` writes it out.
TIE = "\ue000"
_AMOUNT = re.compile(r"(?<=\d) (?=(?:mL|g|s|min|mm|%)\b)")
_AFTER_A_JOINT = re.compile(r"(?<=[-_/, ])|(?<=\.)(?!\.)")  # the dots of a cut stay together


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
    results: Sequence[Result], names: Sequence[str], base: Base, plan: Plan | None = None
) -> list[Row]:
    """Turn results into rows; who shares a mix of the plan is told its number, and no amounts."""
    mixes = {} if plan is None else plan.sharers
    stones = [BLANK if result.mix is None else visible(result.mix.stone) for result in results]
    several = len(set(stones) - {BLANK}) > 1
    moved = f" {base.offset_mm:+.1f} mm" if base.offset_mm else ""
    volumes = [
        volume_words(one.volume_ml, one.volume_low_ml, one.volume_high_ml) for one in results
    ]
    widest = max((len(volume.split()[0]) for volume in volumes), default=0)
    made = []
    for result, name, stone, volume in zip(results, names, stones, volumes, strict=True):
        mix, shared, found = result.mix, mixes.get(result.name), result.base_line
        powder = water = scoops = BLANK
        if shared is not None:
            powder = water = f"mix {shared}"
        elif mix is not None:
            powder, water = words.powder_cell(mix), words.water_cell(mix)
            scoops = words.scoops_cell(mix)
        notes = (*(() if plan is None else plan.notes_of(result.name)), *result.notes)
        codes = tuple(dict.fromkeys(visible(note.code) for note in notes))
        how = BLANK if found is None else visible(found.how) + moved * (found.how == base.how)
        refused = result.outcome == REFUSED
        if refused:
            codes = ("REFUSED" + (f" {visible(result.code)}" if result.code else ""), *codes)
        made.append(
            Row(
                name=name,
                stone=stone if several else "",
                volume=" " * (widest - len(volume.split()[0])) + volume,
                powder=powder,
                water=water,
                scoops=scoops,
                base=how,
                notes=codes or (NO_NOTE,),
                refused=refused,
            )
        )
    return made


def volume_words(
    volume_ml: float | None, low_ml: float | None, high_ml: float | None, unit: str = ""
) -> str:
    """Say a volume and the interval it lies in, where that is known.

    >>> volume_words(50.82, 50.26, 51.31, " mL")
    '50.8 mL (50.2-51.4)'
    """
    # Outwards, so that the interval that is told is never narrower than the one that was found.
    low, high = tenths(low_ml, math.floor), tenths(high_ml, math.ceil)
    interval = f" ({low}-{high})" if BLANK not in {low, high} else ""
    return f"{tenths(volume_ml, round)}{unit}{interval}"


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
    before, bowls, split, bases = scan_lines(results, names)
    above = [] if brief else [made_with(settings)]
    above += [f"folder {folder}"] if folder else []
    total = [tally(results, () if plan is None else plan.late)]
    total += [] if brief else batch_lines(results, plan)
    is_mixed = any(result.mix is not None for result in results)
    shared = plan is not None and bool(plan.sharers)
    figures = [_figures(rows(results, names, settings.base, plan), width)] if results else []
    blocks: list[Sequence[RenderableType]] = [
        _hung(above),
        figures,
        _hung(how_to_read(settings, shared=shared) if is_mixed and not brief else []),
        _hung(before),
        _hung(bowls if plan is None else []),
        _hung(split + bases),
        _hung([] if plan is None else shared_lines(plan, settings)),
        *_told(results, names),
        _hung(total),
        _hung([] if brief else CAUTIONS),
    ]
    drawn = io.StringIO()
    console = Console(
        file=drawn,
        width=width or _WIDEST,
        force_terminal=styled,
        color_system="standard" if styled else None,
        legacy_windows=False,
        emoji=False,  # nor are their thousand names read
        markup=False,
        highlight=False,
    )
    for block in filter(None, blocks):
        for part in block:
            console.print(part, width=None if block is figures else READING_WIDTH)
        console.print()
    lines = drawn.getvalue().removesuffix("\n").replace(TIE, " ").split("\n")
    text = "\n".join(line.rstrip() for line in lines)
    return text.encode(encoding, "backslashreplace").decode(encoding)


def _hung(texts: Sequence[str]) -> list[RenderableType]:
    """Hang what is indented under its own beginning."""
    return [
        Padding.indent(Text(tied(text.strip())), len(text) - len(text.lstrip())) for text in texts
    ]


def _told(
    results: Sequence[Result], names: Sequence[str]
) -> tuple[list[RenderableType], list[RenderableType]]:
    """Tell every note in full, and why scans were refused; each scan's under its name."""
    notes: list[RenderableType] = [Text("Notes, and what to do", _BOLD)]
    refusals: list[RenderableType] = [Text("Refused, and how to mend it", _ALARM)]
    for result, name in zip(results, names, strict=True):
        head = Padding.indent(Text(name), 2)
        grid = Table.grid(padding=(0, 2))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for note in beside_works(result):
            grid.add_row(Text(visible(note.code), _BOLD), Text(tied(visible(note.text))))
            grid.add_row(Text(), Text(tied(f"Do: {visible(note.do)}")))
        if result.notes:
            notes += [head, Padding.indent(grid, 4)]
        if result.outcome == REFUSED:
            reason = tied(visible(result.reason or "no reason was given"))
            refusals += [head, Padding.indent(Text(reason), 4)]
    return notes[1:] and notes, refusals[1:] and refusals


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
    if names < min(_NARROWEST_NAME, max(longest)):
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
        blocks += [Text(line.name), Padding.indent(block, _GAP), Text()]
    return Group(*blocks[:-1])  # no empty line under the last


def _widest(head: str) -> int:
    return max(cell_len(part) for part in head.split("\n"))


def made_with(settings: Settings) -> str:
    """Say in one line what the figures rest on."""
    wp, residue, second = settings.wp_ml_per_100g, settings.residue_ml, settings.lab.second_pour
    poured, base = settings.stones, ""
    if second.is_made:
        poured = (*poured, second.stone)
        former, height = second.former_ml, second.height_mm
        base = f"base of {height:g} mm, " if former is None else f"base former {former:g} mL, "
        base += visible(second.stone)
    used = {find_stone(name, settings.lab).name for name in poured}
    learned = [law for law in settings.learned if law.way == settings.way and law.stone in used]
    waste = f"waste {settings.waste_percent:g} %" + (f" and {residue:g} mL" if residue else "")
    if learned:  # what was learned goes before it
        waste = f"other {waste}" if len(learned) < len(used) else ""
    parts = [
        f"stone {visible(settings.stone)}",
        *(f"{visible(stone)} for {visible(scans)}" for scans, stone in settings.stones_for),
        "" if wp is None else f"{wp:g} mL water to 100 g",
        waste,
        *(
            f"waste of {visible(law.stone)} learned from {law.pours} pour{'s' * (law.pours != 1)}"
            for law in learned
        ),
        "" if settings.way == VACUUM else f"mixed by {settings.way}",
        f"base line {settings.base}",
        base,
        f"pitch {settings.pitch_mm:g} mm",
        "" if settings.unit is None else f"files in {settings.unit}",
        "inside out" if settings.inside_out else "",
        f"scoops of {_scoops(settings)}",
        "" if settings.lab_file is None else f"lab {visible(settings.lab_file)}",
    ]
    return "; ".join(part for part in parts if part)


def _scoops(settings: Settings) -> str:
    """Say what a level scoop weighs: of the usual stone, then of the others."""
    kinds = [find_stone(name, settings.lab) for name in settings.stones]
    scoops_g = [scoop_of(kind, settings) for kind in kinds]
    usual, *others = ["" if scoop_g is None else f"{scoop_g:g} g" for scoop_g in scoops_g]
    told = ", ".join(
        f"{visible(kind.name)}: {weighs or 'weigh it'}"
        for kind, weighs in zip(kinds[1:], others, strict=True)
    )
    return (usual or _UNKNOWN) + (f" ({told})" if told else "")


def how_to_read(settings: Settings, *, shared: bool) -> list[str]:
    """Say what the brackets and the scoops of the table mean."""
    each = _scoops(settings)
    ends = {
        "gram": " instead of weighing, and the water that goes with them.",
        "scoop": "; powder is rounded up to them, the water goes with it.",
    }
    end = "; weigh the powder." if each == _UNKNOWN else ends[settings.by]
    heap_mm, risk = settings.lab.first_pour.heap_mm, settings.lab.risk_percent
    more = [
        *((f"a heap of {heap_mm:g} mm over the rim",) if heap_mm else ()),
        "what stays in the bowl",
        f"and a reserve that leaves a {risk:g} % chance of running short",
    ]
    return [
        "Volume: the cavity, in brackets its range.",
        f"The mix is for more: {', '.join(more)}.",
        f"Scoops: level scoops of {each}{end}",
        *(SHARED_APART,) * shared,
    ]


def tally(results: Sequence[Result], late: Collection[str] = ()) -> str:
    """Count the outcomes, and the impressions that are `late`: past their window at their turn."""
    scans = sum(result.cavity == 1 for result in results)
    told = tally_of(Counter(result.outcome for result in results), scans)
    past = sum(result.name in late for result in results)
    return f"{told}; {past} past the window of the material" if past else told


def tally_of(counts: Mapping[str, int], scans: int) -> str:
    """Say in words how many impressions ended in which way.

    >>> tally_of({"measured": 2}, 2), tally_of({"measured": 2}, 1)
    ('2 scans: 2 measured', '2 impressions in 1 scan: 2 measured')
    """
    outcomes = (MEASURED, NOTED, REFUSED)
    told = ", ".join(f"{counts[kind]} {kind}" for kind in outcomes if counts.get(kind))
    whole = sum(counts.values())
    total = f"{scans} scan{'' if scans == 1 else 's'}"
    total = f"{whole} impressions in {total}" if whole > scans else total
    return f"{total}: {told}" if told else total


def scan_lines(results: Sequence[Result], names: Sequence[str]) -> list[list[str]]:
    """Tell what the table has no room for: what comes before the water; bowls; mixes and bases."""
    before, split = ["Before the water"], ["Split mixes: water first, then powder"]
    bases = [
        "Bases, the second pour: water first, then powder; their nodules are in the first pour"
    ]
    bowls: dict[str, list[str]] = {}
    for result, name in zip(results, names, strict=True):
        mix, base = result.mix, result.second_pour
        if told := before_water(result):
            before.append(f"  {name}: {told}")
        if mix is not None and mix.bowl is not None:
            bowls.setdefault(visible(mix.bowl), []).append(name)
        if mix is not None and mix.mixes > 1:
            split.append(f"  {name}: {amounts_in_words(mix)}")
        if base is not None:
            bowl = f", {visible(words.bowl_in_words(base))}" if base.bowl else ""
            bases.append(f"  {name}: {amounts_in_words(base)}{bowl}")
    listed = ["Bowls", *(f"  {bowl}: {', '.join(scans)}" for bowl, scans in bowls.items())]
    return [part if part[1:] else [] for part in (before, listed, split, bases)]


def work_label(work: Work) -> tuple[str, str]:
    """Say in short what is done to a stretch of rim, and how far it is off."""
    if work.what == "cut":
        return f"cut {work.length_mm:.0f} mm", f"{work.most_mm:.1f} mm off"
    return f"box in {work.length_mm:.0f} mm", f"{work.most_mm + work.heap_mm:.1f} mm high"


def before_water(result: Result) -> str:
    """Say what is cut or boxed in before a mix is begun; '' where nothing is."""
    told = ((work, *work_label(work)) for work in (result.trim.works if result.trim else ()))
    return "; ".join(
        f"{ask} {hours_in_words(work.hours[0], work.hours[-1])}, {say}" for work, ask, say in told
    )


def beside_works(result: Result) -> list[Note]:
    """Give the notes; where the stretches to box in are told, that on boxing leaves them out."""
    if result.trim is None or all(work.what != "box" for work in result.trim.works):
        return list(result.notes)
    return [
        note.but(works_told=True) if note.code == "needs-boxing" else note for note in result.notes
    ]


def batch_lines(results: Sequence[Result], plan: Plan | None = None) -> list[str]:
    """Add up the powder of a batch, and what of it is wasted, stone by stone."""
    firsts = [result.mix for result in results] if plan is None else [s.mix for s in plan.mixes]
    made: dict[str, list[Mix]] = {}
    for mix in (*firsts, *(result.second_pour for result in results)):
        if mix is not None:
            made.setdefault(mix.stone, []).append(mix)
    lines = []
    for stone, mixes in made.items():
        powder_g, waste_g = sum(mix.powder_g for mix in mixes), sum(mix.waste_g for mix in mixes)
        line = f"Powder {visible(stone)}: {powder_g:.0f} g, {waste_g:.0f} g of it waste"
        cost = words.cost_in_words(powder_g, waste_g, mixes[0].kind)
        lines.append(f"{line}; {cost}" if cost else line)
    return lines


def as_planned(results: Sequence[Result], plan: Plan | None) -> list[Result]:
    """Leave out what is noted of a bowl of one's own where a mix is shared."""
    sharers = () if plan is None else plan.sharers
    return [without_bowl(result) if result.name in sharers else result for result in results]


def without_bowl(result: Result) -> Result:
    """Leave out what is noted of a bowl of its own, for a scan that shares a mix."""
    notes = tuple(note for note in result.notes if note.code not in OF_THE_BOWL)
    outcome = MEASURED if result.outcome == NOTED and not notes else result.outcome
    return replace(result, notes=notes, outcome=outcome)


def shared_lines(plan: Plan, settings: Settings, *, begun: bool = False) -> list[str]:
    """Tell the plan of shared mixes, two or more lines each, and what it saves."""
    if not plan.mixes:
        return ["Shared mixes: nothing to pour"]
    lines = ["Mixes, in the order to make them: water first, then powder"]
    ago_min = (this_minute() - plan.start).total_seconds() / 60.0
    if ago_min > _STALE_MIN and not begun:
        lines.append(
            f"  Their start, {plan.start:%H:%M}, was {in_words(ago_min)} ago: plan anew before "
            "you pour"
        )
    scans = [one.name for shared in plan.mixes for one in shared.impressions]
    called = dict(zip(scans, short_names(scans)[1], strict=True))
    for number, shared in enumerate(plan.mixes, start=1):
        lines += _shared(number, shared, called, plan)
        with_base = {has_base(one.scan, settings) for one in shared.impressions}
        lines += [f"     {told}" for told in afterwards(shared, plan, with_base)]
    kinds = {one.kind for shared in plan.mixes for one in shared.impressions}
    if KINDS[1] in kinds and KINDS[-1] not in kinds:
        lines.append("  Prepared teeth? Say which arch has them: --kind 'PATTERN=dies'")
    count, alone = len(plan.mixes), len(plan.alone)
    told = f"  {count} mix{'es' * (count != 1)} for {alone} impression{'s' * (alone != 1)}: "
    told += f"{plan.powder_g:.0f} g of powder"
    saved_g, money = plan.alone_g - plan.powder_g, priced(plan, settings)
    if round(saved_g):
        told += f" instead of {plan.alone_g:.0f} g, saves {saved_g:.0f} g"
        told += "" if money is None else f" ({money[0]:.2f} {money[1]})"
    return [*lines, told]


def afterwards(shared: SharedMix, plan: Plan, with_base: Collection[bool]) -> list[str]:
    """Say from when on the casts of a mix get their base, or are separated."""
    poured_min = max(shared.turns_min)
    base, out = (plan.clock(poured_min + wait) for wait in (BEFORE_BASE.value, SEPARATING.low))
    after_base = plan.clock(poured_min + BEFORE_BASE.value + SEPARATING.low)
    told = {
        True: f"base: from {base} on; separate: from {after_base} on",
        False: f"separate: from {out} on",
    }
    if len(with_base) > 1:
        told[False] += " those without a base"
    return [told[has] for has in sorted(with_base, reverse=True)]


def turn_words(name: str, shared: SharedMix, plan: Plan) -> str:
    """Say when an impression of a mix is poured, until when it may be, and what it is."""
    one, at_min = shared.turn_of(name)
    told = [
        "" if one.kind == KINDS[0] else f"with {one.kind}" if one.kind == KINDS[-1] else one.kind
    ]
    if one.window is not None:
        by = f"to be poured {plan.by(one)}, past" if one.closes_min < 0.0 else plan.by(one)
        since = "when?" if one.age_min is None else plan.clock(-one.age_min)
        told += [f"{one.window.material} {by}".rstrip(), f"taken {since}"]
    told.append("ASK FIRST" if one in shared.late else "")
    about = ", ".join(filter(None, told))
    return f"at {plan.clock(at_min)}" + (f" ({about})" if about else "")


def _shared(number: int, shared: SharedMix, called: Mapping[str, str], plan: Plan) -> list[str]:
    names = ", ".join(
        f"{called[one.name]} {turn_words(one.name, shared, plan)}" for one in shared.impressions
    )
    bowl = f", {visible(words.bowl_in_words(shared.mix))}" if shared.mix.bowl else ""
    tick = "ASK FIRST" if len(shared.late) == len(shared.impressions) else "[ ]"
    lines = [
        f"  {number}. {tick} {plan.clock(shared.start_min)}{bowl}: {amounts_in_words(shared.mix)}",
        f"     pour: {names}",
    ]
    windows = {one.window.material: str(one.window) for one in shared.impressions if one.window}
    if windows:
        told = "; ".join(f"{material} {window}" for material, window in windows.items())
        lines.append(f"     window: {told}, the maker's word first")
    for note in (one.calling(called) for one in shared.notes):
        lines += [f"     {note.code}: {visible(note.text)}", f"     Do: {visible(note.do)}"]
    return lines


def amounts_in_words(mix: Mix) -> str:
    """Say water and powder of a mix in one line."""
    each = f"{mix.mixes} equal mixes, each " if mix.mixes > 1 else ""
    return (
        f"{each}{water_in_words(mix)} water, {powder_in_words(mix)} {mix.stone} "
        f"({words.scoops_in_words(mix)})"
    )


def damaged_line(files: int) -> str:
    """Say that the disk gave kept files back other than they were."""
    return f"{files} kept files in --out were damaged; their scans were sized anew"


def tied(text: str) -> str:
    """Tie amounts to their units, so that no line ends between them.

    >>> tied("50 g to 10 mL").replace(TIE, "_")
    '50_g to 10_mL'
    """
    return _AMOUNT.sub(TIE, text)


def wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> str:
    r"""Set a sentence in lines, amounts with their units.

    >>> wrapped("Pour 50 g", 8)
    'Pour\n50 g'
    """
    lines = fill(
        tied(text),
        width,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,  # names and amounts can be taken as they stand
        break_on_hyphens=False,
    )
    return lines.replace(TIE, " ")


def cell(text: str) -> str:
    """Make a text safe as a cell: a leading apostrophe keeps it from being taken for a formula."""
    shown = visible(text)
    return f"'{shown}" if shown.lstrip().startswith(_FORMULA_STARTS) else shown


def short_names(scans: Sequence[str]) -> tuple[str, list[str]]:
    """Give the folder that all scans have in common, or '', and their visible names in it."""
    if not scans:
        return "", []
    try:
        common = os.path.commonpath([os.fspath(Path(scan).parent) for scan in scans])
    except ValueError:  # absolute paths among relative ones
        return "", [visible(scan) for scan in scans]
    names = [visible(os.path.relpath(scan, common or ".")) for scan in scans]
    return ("" if common in {"", "."} else visible(common)), names


def shortened(name: str, cells: int) -> str:
    """Cut a visible name in its middle, to at least 5 terminal cells."""
    if cell_len(name) <= cells:
        return name
    room = cells - len("...")
    head = chop_cells(name, room - room // 2)[0]
    tail = chop_cells(name[::-1], room - cell_len(head))[0][::-1]
    return f"{head}...{tail}"


def pieces(text: str) -> list[str]:
    """Take a visible name or codes apart where a reader would, after its joints; at least one."""
    return [piece.strip() for piece in _AFTER_A_JOINT.split(text) if piece.strip()] or [""]


def folded(text: str, cells: int) -> str:
    """Fold a visible name or codes into lines, at its joints where that is possible."""
    lines = [""]
    for piece in _AFTER_A_JOINT.split(text):
        if cell_len((lines[-1] + piece).rstrip()) <= cells:
            lines[-1] += piece
        elif cell_len(piece) <= cells:
            lines.append(piece)
        else:
            lines += chop_cells(piece, cells)
    return "\n".join(line.strip() for line in lines if line.strip())
