"""The journal in words: what was poured, what was lost, and what the pours teach."""

from collections.abc import Sequence

from volest.journal.entry import Entry
from volest.lab import Lab
from volest.learned import USUAL_VOLUME_ML, Learned
from volest.sheet.names import visible
from volest.stone.learning import PRIOR_POURS, Pour, learn_all
from volest.stone.stones import own_stone
from volest.stone.words import cost_in_words, way_in_words

LAST = 5  # pours that are listed: a slip is noticed soon or never


def journal_lines(pours: Sequence[Pour], lab: Lab) -> list[str]:
    """Tell what the journal holds and teaches, stone by stone and way by way."""
    if not pours:
        return ["No pour is booked yet."]
    lines = []
    for law in learn_all(pours, lab):
        own = [pour for pour in pours if (pour.stone, pour.way) == (law.stone, law.way)]
        lines += [_heading(law, own), _powder(law, own, lab), *_lesson(law, lab)]
    return lines


def last_lines(entries: Sequence[Entry]) -> list[str]:
    """List the last of all pours with their numbers, so that a slip can be found."""
    if not entries:
        return []
    told = [f"  {entry.number}. {_entry_words(entry)}" for entry in entries[-LAST:]]
    return ["Last pours, by number (a slip: --strike NUMBER; all: --csv FILE)", *told]


def _entry_words(entry: Entry) -> str:
    end = f"{entry.left_g:g} g left" if entry.left_g >= 0 else f"{-entry.left_g:g} g short"
    words = [
        entry.booked.partition("T")[0],
        *(visible(text) for text in (entry.scan, entry.stone) if text is not None),
        way_in_words(entry.way),
        f"{entry.powder_g:g} g powder",
        end,
        *(("struck out",) if entry.struck is not None else ()),
    ]
    return ", ".join(words)


def _heading(law: Learned, pours: Sequence[Pour]) -> str:
    short = sum(pour.short for pour in pours)
    count = f"{len(pours)} pour{'s' * (len(pours) != 1)}"
    return f"{visible(law.stone)}, mixed {way_in_words(law.way)}: {count}, {short} of them short"


def _powder(law: Learned, pours: Sequence[Pour], lab: Lab) -> str:
    powder_g = sum(pour.powder_g for pour in pours)
    lost_g = sum(
        pour.powder_g * max(pour.mix_ml - pour.volume_ml, 0.0) / pour.mix_ml for pour in pours
    )
    line = f"  powder {powder_g:.0f} g, {lost_g:.0f} g of it beyond the cavities"
    kinds = {own.name: own_stone(own, lab.currency) for own in lab.stone}
    cost = cost_in_words(powder_g, lost_g, kinds[law.stone]) if law.stone in kinds else ""
    return f"{line}; {cost}" if cost else line


def _lesson(law: Learned, lab: Lab) -> list[str]:
    volume_ml = USUAL_VOLUME_ML
    default = lab.way.of(law.way)
    usual_ml = default.share_percent / 100.0 * volume_ml + default.residue_ml
    average = (
        f"  a pour of {volume_ml:g} mL takes {law.expected_ml(volume_ml):.1f} mL more than the "
        f"cavity on average, give or take {law.scatter_ml(volume_ml):.1f} mL"
    )
    advice = (
        f"  so mix {law.allowance_ml(volume_ml):.1f} mL on top ({usual_ml:.1f} mL without the "
        f"journal): {law.risk_percent:g} % chance of running short"
    )
    few = law.pours < 2 * PRIOR_POURS
    ground = f"  this rests on {law.pours} pour{'s' * (law.pours != 1)}"
    return [average, advice, ground + (": few, it still leans on the default" if few else "")]
