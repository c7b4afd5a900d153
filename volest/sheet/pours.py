"""The lines on pours: split mixes and bases, shared mixes, and the powder of a batch."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from volest.result import MEASURED, NOTED, Result
from volest.settings import Settings
from volest.sheet.names import short_names, visible
from volest.stone.bowls import OF_THE_BOWL
from volest.stone.cost import cost_in_words
from volest.stone.in_words import bowl_in_words, powder_in_words, scoops_in_words, water_in_words
from volest.stone.mix import Mix
from volest.stone.plan import Impression, Plan, SharedMix, priced
from volest.stone.windows import whole

_BASES = "Bases, the second pour: water first, then powder"


def pour_lines(results: Sequence[Result], names: Sequence[str]) -> list[str]:
    """Tell what the table has no room for: mixes in several bowls' loads, and bases."""
    split, bases = [], []
    for result, name in zip(results, names, strict=True):
        if result.mix is not None and result.mix.mixes > 1:
            split.append(f"  {name}: {_amounts(result.mix)}")
        if result.second_pour is not None:
            base = result.second_pour
            bowl = f", {visible(bowl_in_words(base))}" if base.bowl else ""
            bases.append(f"  {name}: {_amounts(base)}{bowl}")
    headed = (("Split mixes: water first, then powder", split), (_BASES, bases))
    return [line for head, lines in headed if lines for line in (head, *lines)]


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
    return [_used(stone, mixes) for stone, mixes in made.items()]


def as_planned(results: Sequence[Result], plan: Plan | None) -> list[Result]:
    """Leave out what is noted of a bowl of one's own where a mix is shared."""
    mixes = () if plan is None else plan.mixes
    sharers = {one.name for mix in mixes if len(mix.impressions) > 1 for one in mix.impressions}
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
    lines = ["Shared mixes, in the order to make them: water first, then powder"]
    scans = [one.name for shared in plan.mixes for one in shared.impressions]
    called = dict(zip(scans, short_names(scans)[1], strict=True))
    for number, shared in enumerate(plan.mixes, start=1):
        lines += _shared(number, shared, called)
    count, alone = len(plan.mixes), len(plan.alone)
    saved_g = plan.alone_g - plan.powder_g
    money = priced(plan, settings)
    lines.append(
        f"  {count} mix{'es' * (count != 1)} for {alone} impression{'s' * (alone != 1)}: "
        f"{plan.powder_g:.0f} g of powder instead of {plan.alone_g:.0f} g, saves {saved_g:.0f} g"
        + ("" if money is None else f" ({money[0]:.2f} {money[1]})")
    )
    return lines


def called_by(shared: SharedMix, called: Mapping[str, str]) -> SharedMix:
    """Let the notes of a shared mix call scans as the table does, without their folder."""
    notes = []
    for note in shared.notes:
        text = note.text
        for scan, name in called.items():
            text = text.replace(scan, name)
        notes.append(replace(note, text=text))
    return replace(shared, notes=tuple(notes))


def shared_record(plan: Plan) -> dict[str, Any]:
    """Give the plan as plain values, the object under ``shared`` in JSON."""
    return {
        "mixes": [
            {
                "scans": [one.scan or one.name for one in shared.impressions],
                "cavities": [one.cavity for one in shared.impressions],
                "start_min": shared.start_min,
                "bowl": shared.mix.bowl,
                "equal_mixes": shared.mix.mixes,
                "mix": shared.mix.as_record(),
                "notes": [
                    {"code": note.code, "text": note.text, "do": note.do} for note in shared.notes
                ],
            }
            for shared in plan.mixes
        ],
        "powder_g": plan.powder_g,
        "single_mixes_powder_g": plan.alone_g,
    }


def _waiting(one: Impression, called: Mapping[str, str]) -> str:
    return called[one.name] + ("" if one.window is None else f" ({one.window.material})")


def _shared(number: int, shared: SharedMix, called: Mapping[str, str]) -> list[str]:
    names = ", ".join(_waiting(one, called) for one in shared.impressions)
    bowl = f", {visible(bowl_in_words(shared.mix))}" if shared.mix.bowl else ""
    start = f"in {whole(shared.start_min)} min" if shared.start_min else "now"
    lines = [
        f"  {number}. {start}{bowl}: {_amounts(shared.mix)}",
        f"     pour: {names}",
    ]
    windows = {one.window.material: str(one.window) for one in shared.impressions if one.window}
    if windows:
        told = "; ".join(f"{material} {window}" for material, window in windows.items())
        lines.append(f"     window: {told}, the maker's word first")
    for note in called_by(shared, called).notes:
        lines += [f"     {note.code}: {visible(note.text)}", f"     Do: {visible(note.do)}"]
    return lines


def _amounts(mix: Mix) -> str:
    each = f"{mix.mixes} equal mixes, each " if mix.mixes > 1 else ""
    return (
        f"{each}{water_in_words(mix)} water, {powder_in_words(mix)} {mix.stone} "
        f"({scoops_in_words(mix)})"
    )


def _used(stone: str, mixes: Sequence[Mix]) -> str:
    powder_g, waste_g = sum(m.powder_g for m in mixes), sum(m.waste_g for m in mixes)
    line = f"Powder {visible(stone)}: {powder_g:.0f} g, {waste_g:.0f} g of it waste"
    cost = cost_in_words(powder_g, waste_g, mixes[0].kind)
    return f"{line}; {cost}" if cost else line
