"""What stands round the table: how it was made, pours, doubts, refusals, the tally, cautions."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from volest.dosing import has_base
from volest.lab import VACUUM, SecondPour
from volest.notes import hours_in_words
from volest.report.guide import work_label
from volest.report.names import short_names, tied, visible
from volest.result import MEASURED, NOTED, REFUSED, Result
from volest.settings import Settings
from volest.stone.mix import OF_THE_BOWL, Mix, knows_scoop, powder_in_words, water_in_words
from volest.stone.reference import (
    BEFORE_BASE,
    KINDS,
    SEPARATING,
    StoneType,
    bench_for,
    find_stone,
    in_words,
)
from volest.stone.shared import Plan, SharedMix, priced, this_minute
from volest.stone.words import bowl_in_words, cost_in_words, scoops_in_words

# Common practice, no source for the wording; the hazards: NIOSH Pocket Guide npgd0518 (dust), CDC
# 2003 guidelines, MMWR 52(RR17) (disinfect before handling in the laboratory; detail from memory).
CAUTIONS = (
    "Gypsum dust: wear a mask, extract it. Disinfect impressions before scanning.",
    "The makers' instructions and your laboratory's rules win over these figures.",
)
SHARED_APART = "A mix by its number is shared: its water and powder stand below."
_OUTCOMES = (MEASURED, NOTED, REFUSED)
_BOLD, _ALARM = "bold", "bold red"
_UNKNOWN = "no known weight"
_STALE_MIN = 5.0  # a plan that began so long ago cannot be kept any more
_BASES = "Bases, the second pour: water first, then powder; their nodules are in the first pour"


def made_with(settings: Settings) -> str:
    """Say in one line what the figures rest on."""
    wp, residue, second = settings.wp_ml_per_100g, settings.residue_ml, settings.lab.second_pour
    bases = (second,) if second.is_made else ()
    used = {
        find_stone(name, settings.lab).name
        for name in (*settings.stones, *(base.stone for base in bases))
    }
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
        *(f"base {_height(base)}, {visible(base.stone)}" for base in bases),
        f"pitch {settings.pitch_mm:g} mm",
        "" if settings.unit is None else f"files in {settings.unit}",
        "inside out" if settings.inside_out else "",
        f"scoops of {_scoops(settings)}",
        "" if settings.lab_file is None else f"lab {visible(settings.lab_file)}",
    ]
    return "; ".join(part for part in parts if part)


def _height(base: SecondPour) -> str:
    return (
        f"of {base.height_mm:g} mm" if base.former_ml is None else f"former {base.former_ml:g} mL"
    )


def _scoops(settings: Settings) -> str:
    """Say what a level scoop weighs: of the usual stone, then of the others."""
    usual, *others = (find_stone(name, settings.lab) for name in settings.stones)
    each = _scoop(usual, settings) or _UNKNOWN
    told = [f"{visible(kind.name)}: {_scoop(kind, settings) or 'weigh it'}" for kind in others]
    return f"{each} ({', '.join(told)})" if told else each


def _scoop(kind: StoneType, settings: Settings) -> str:
    known = knows_scoop(kind, settings)
    return f"{bench_for(kind, settings.lab).scoop_g:g} g" if known else ""


def how_to_read(settings: Settings, *, shared: bool = False) -> list[str]:
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
    told = ", ".join(f"{counts[kind]} {kind}" for kind in _OUTCOMES if counts.get(kind))
    whole = sum(counts.values())
    total = f"{scans} scan{'' if scans == 1 else 's'}"
    total = f"{whole} impressions in {total}" if whole > scans else total
    return f"{total}: {told}" if told else total


def doubts(results: Sequence[Result], names: Sequence[str]) -> list[RenderableType]:
    """Tell every note in full, a block a scan under a heading; nothing where there is none."""
    blocks: list[RenderableType] = []
    for result, name in zip(results, names, strict=True):
        if not result.notes:
            continue
        grid = Table.grid(padding=(0, 2))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for note in result.notes:
            grid.add_row(Text(visible(note.code), _BOLD), Text(tied(visible(note.text))))
            grid.add_row(Text(), Text(tied(f"Do: {visible(note.do)}")))
        blocks += [_indented(Text(name, overflow="fold"), 2), _indented(grid, 4)]
    return [Text("Notes, and what to do", _BOLD), *blocks] if blocks else []


def refusals(results: Sequence[Result], names: Sequence[str]) -> list[RenderableType]:
    """Tell why scans were refused and how to mend them; nothing where none was."""
    blocks: list[RenderableType] = []
    for result, name in zip(results, names, strict=True):
        if result.outcome == REFUSED:
            reason = visible(result.reason or "no reason was given")
            blocks.append(_indented(Text(name, overflow="fold"), 2))
            blocks.append(_indented(Text(tied(reason), overflow="fold"), 4))
    return [Text("Refused, and how to mend it", _ALARM), *blocks] if blocks else []


def _indented(part: RenderableType, cells: int) -> Padding:
    return Padding(part, (0, 0, 0, cells))


def pour_lines(results: Sequence[Result], names: Sequence[str]) -> list[str]:
    """Tell what the table has no room for: mixes in several bowls' loads, and bases."""
    split, bases = [], []
    for result, name in zip(results, names, strict=True):
        if result.mix is not None and result.mix.mixes > 1:
            split.append(f"  {name}: {amounts_in_words(result.mix)}")
        if result.second_pour is not None:
            base = result.second_pour
            bowl = f", {visible(bowl_in_words(base))}" if base.bowl else ""
            bases.append(f"  {name}: {amounts_in_words(base)}{bowl}")
    headed = (("Split mixes: water first, then powder", split), (_BASES, bases))
    return [line for head, lines in headed if lines for line in (head, *lines)]


def before_lines(results: Sequence[Result], names: Sequence[str]) -> list[str]:
    """Tell what is cut or boxed in before a mix is begun."""
    told = [(name, before_water(result)) for result, name in zip(results, names, strict=True)]
    lines = [f"  {name}: {words}" for name, words in told if words]
    return ["Before the water", *lines] if lines else []


def before_water(result: Result) -> str:
    """Say what is cut or boxed in before a mix is begun; '' where nothing is."""
    told = ((work, *work_label(work)) for work in (result.trim.works if result.trim else ()))
    return "; ".join(
        f"{ask} {hours_in_words(work.hours[0], work.hours[-1])}, {say}" for work, ask, say in told
    )


def bowl_lines(results: Sequence[Result], names: Sequence[str]) -> list[str]:
    """Tell which mix goes into which bowl; nothing where the lab has named none."""
    filled: dict[str, list[str]] = {}
    for result, name in zip(results, names, strict=True):
        if result.mix is not None and result.mix.bowl is not None:
            filled.setdefault(visible(result.mix.bowl), []).append(name)
    lines = [f"  {bowl}: {', '.join(scans)}" for bowl, scans in filled.items()]
    return ["Bowls", *lines] if lines else []


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
        cost = cost_in_words(powder_g, waste_g, mixes[0].kind)
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


def shared_lines(plan: Plan, settings: Settings) -> list[str]:
    """Tell the plan of shared mixes, two or more lines each, and what it saves."""
    if not plan.mixes:
        return ["Shared mixes: nothing to pour"]
    lines = ["Mixes, in the order to make them: water first, then powder"]
    ago_min = (this_minute() - plan.start).total_seconds() / 60.0
    if ago_min > _STALE_MIN:
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


def called_by(shared: SharedMix, called: Mapping[str, str]) -> SharedMix:
    """Let the notes of a shared mix call scans as the table does, without their folder."""
    return replace(shared, notes=tuple(note.calling(called) for note in shared.notes))


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
    bowl = f", {visible(bowl_in_words(shared.mix))}" if shared.mix.bowl else ""
    tick = "ASK FIRST" if len(shared.late) == len(shared.impressions) else "[ ]"
    lines = [
        f"  {number}. {tick} {plan.clock(shared.start_min)}{bowl}: {amounts_in_words(shared.mix)}",
        f"     pour: {names}",
    ]
    windows = {one.window.material: str(one.window) for one in shared.impressions if one.window}
    if windows:
        told = "; ".join(f"{material} {window}" for material, window in windows.items())
        lines.append(f"     window: {told}, the maker's word first")
    for note in called_by(shared, called).notes:
        lines += [f"     {note.code}: {visible(note.text)}", f"     Do: {visible(note.do)}"]
    return lines


def amounts_in_words(mix: Mix) -> str:
    """Say water and powder of a mix in one line."""
    each = f"{mix.mixes} equal mixes, each " if mix.mixes > 1 else ""
    return (
        f"{each}{water_in_words(mix)} water, {powder_in_words(mix)} {mix.stone} "
        f"({scoops_in_words(mix)})"
    )


def damaged_line(files: int) -> str:
    """Say that the disk gave kept files back other than they were."""
    return f"{files} kept files in --out were damaged; their scans were sized anew"
