"""What the pours that count tell: what they teach, the powder in stock, what each case cost."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from volest.errors import visible
from volest.journal import BASE, FIRST, OUTCOMES, SHORT, Delivery, Entry, cases_of, day_of
from volest.lab import PRIOR_POURS, USUAL_VOLUME_ML, Lab, learn_all, unlearned
from volest.stone.reference import all_stones
from volest.stone.words import cost_in_words, cost_of, way_in_words

# All three are common practice, no source: a season's pace, a week to even out, time to order.
PACE_DAYS = 60
LEAST_DAYS = 7
LOW_DAYS = 14
LAST_CASES = 5
LAST = 12  # pours that are listed: a day's
_POURS = {FIRST: "first pour", BASE: "base", None: "pour"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """What came of one lot of a stone and what is left; no name for powder without a lot."""

    stone: str
    lot: str | None
    came_g: float
    left_g: float
    expires: date | None


def lots(pours: Sequence[Entry], deliveries: Sequence[Delivery]) -> list[Lot]:
    """Reckon what is left of each lot that came, stone by stone, what expires first before others.

    A pour that names no lot that came is taken from powder without one, if its stone had come.
    """
    came: dict[tuple[str, str | None], list[Delivery]] = defaultdict(list)
    since: dict[str, str] = {}
    for delivery in deliveries:
        came[delivery.stone, delivery.lot].append(delivery)
        since.setdefault(delivery.stone, delivery.booked)
    used: dict[tuple[str, str | None], float] = defaultdict(float)
    for entry in pours:
        lot = entry.lot if (entry.stone, entry.lot) in came else None
        if lot is not None or since.get(entry.stone, "never") <= entry.booked:
            used[entry.stone, lot] += entry.powder_g
    made = [
        Lot(
            stone=stone,
            lot=lot,
            came_g=(came_g := sum(one.powder_g for one in came[stone, lot])),
            left_g=came_g - used[stone, lot],
            expires=min(
                (date.fromisoformat(one.expires) for one in came[stone, lot] if one.expires),
                default=None,
            ),
        )
        for stone, lot in {**came, **used}
    ]
    return sorted(made, key=lambda one: (one.stone, one.expires or date.max, one.lot or ""))


def stock_lines(pours: Sequence[Entry], deliveries: Sequence[Delivery], today: date) -> list[str]:
    """Tell what is left of each stone and lot, and what runs out or expires before it is used."""
    lines, known = [], lots(pours, deliveries)
    for stone in dict.fromkeys(lot.stone for lot in known):
        own = [lot for lot in known if lot.stone == stone]
        near = [
            (day, entry.powder_g)
            for entry in pours
            if entry.stone == stone and (day := day_of(entry)) > today - timedelta(PACE_DAYS)
        ]
        days = (today - min((day for day, _ in near), default=today)).days + 1
        pace = sum(powder_g for _, powder_g in near) / max(days, LEAST_DAYS)  # a day
        left_g = sum(lot.left_g for lot in own)
        line = f"Stock of {visible(stone)}: {left_g:.0f} g of {sum(x.came_g for x in own):.0f} g"
        if left_g < 0.0:
            line += ": more was booked than came"
        elif pace > 0.0:
            line += f", for {left_g / pace:.0f} days at {pace:.0f} g a day"
            line += ": order powder" if left_g / pace < LOW_DAYS else ""
        lines += [line, *_lot_lines(own, pace, today)]
    return lines


def _lot_lines(own: Sequence[Lot], pace: float, today: date) -> list[str]:
    lines, sooner_g = [], 0.0
    for lot in own:
        if lot.lot is None:
            if lot.left_g < 0.0:
                lines.append(f"  {-lot.left_g:.0f} g were poured without a lot that came")
            continue
        words = [f"{lot.left_g:.0f} g of {lot.came_g:.0f} g"]
        if lot.left_g < 0.0:
            words.append("more was booked than came")
        if lot.expires is not None:
            days = (lot.expires - today).days
            words.append(f"expire{'d' if days < 0 else 's'} {lot.expires}")
            # What expires sooner is used first; the day itself is one of use.
            could_g = max(pace * max(days + 1, 0) - sooner_g, 0.0)
            used_g = min(max(lot.left_g, 0.0), could_g)
            if days >= 0 and pace > 0.0 and lot.left_g - used_g >= 1.0:
                words.append(f"about {lot.left_g - used_g:.0f} g will be left by then")
            sooner_g += used_g
        lines.append(f"  lot {visible(lot.lot)}: {', '.join(words)}")
    return lines


def lot_doubts(entry: Entry, pours: Sequence[Entry], deliveries: Sequence[Delivery]) -> list[str]:
    """Tell what is odd about the lot that a pour was booked with, where lots are kept."""
    own = {x.lot: x for x in lots(pours, deliveries) if x.stone == entry.stone and x.lot}
    if entry.lot is None or not own:
        return []
    called, lot = f"lot {visible(entry.lot)}", own.get(entry.lot)
    if lot is None:
        came = ", ".join(visible(str(name)) for name in own)
        return [f"{called} of {visible(entry.stone)} never came; {came} did"]
    told = []
    if lot.expires is not None and lot.expires < day_of(entry):
        told.append(f"{called} expired on {lot.expires}")
    if lot.left_g < 0.0:
        told.append(f"{-lot.left_g:.0f} g more of {called} are booked than came")
    return told


def case_lines(pours: Sequence[Entry], lab: Lab) -> list[str]:
    """Tell what the last cases cost, from all their pours; nothing where no price is known.

    A shared mix is parted by the cavities that it filled.
    """
    kinds = all_stones(lab)
    cases: dict[tuple[str, int], tuple[str, list[tuple[str, float | None]]]] = {}
    for entry in pours:
        own = cases_of(entry)
        whole_ml = sum(case.volume_ml for case in own)
        for case in own:
            key = (case.content or case.name, case.cavity)
            part_g = entry.powder_g * case.volume_ml / whole_ml
            cost = cost_of(part_g, kinds[entry.stone]) if entry.stone in kinds else None
            name = visible(case.name) + (f" #{case.cavity}" if case.cavity > 1 else "")
            before = cases.pop(key, ("", []))[1]  # the latest comes last
            cases[key] = name, [*before, (_POURS[case.pour], cost)]
    if all(cost is None for _, parts in cases.values() for _, cost in parts):
        return []
    lines = [f"Powder of the last cases, in {lab.currency}"]
    for name, parts in [*cases.values()][-LAST_CASES:]:
        known = [cost for _, cost in parts if cost is not None]
        said = [
            f"{pour} {'without a price' if cost is None else f'{cost:.2f}'}" for pour, cost in parts
        ]
        whole = f"; together {sum(known):.2f}" if len(known) == len(parts) > 1 else ""
        lines.append(f"  {name}: {', '.join(said)}{whole}")
    return lines


def journal_lines(pours: Sequence[Entry], lab: Lab) -> list[str]:
    """Tell what the pours of each stone and way were, cost and teach, and how all came out."""
    kinds = all_stones(lab)
    volume_ml, lines = USUAL_VOLUME_ML, list[str]()
    for law in learn_all(pours, lab):
        own = [pour for pour in pours if (pour.stone, pour.way) == (law.stone, law.way)]
        count = f"{len(own)} pour{'s' * (len(own) != 1)}"
        powder_g = sum(pour.powder_g for pour in own)
        lost_g = sum(
            pour.powder_g * max(pour.mix_ml - pour.volume_ml, 0.0) / pour.mix_ml for pour in own
        )
        kind = kinds.get(law.stone)
        cost = "" if kind is None else cost_in_words(powder_g, lost_g, kind)
        cost = cost and f"; {cost}"
        usual = unlearned(law.stone, law.way, lab.way.of(law.way), law.risk_percent)
        few = ": few, it still leans on the default" * (law.pours < 2 * PRIOR_POURS)
        more_ml, usual_ml = law.allowance_ml(volume_ml), usual.allowance_ml(volume_ml)
        lines += (
            f"{visible(law.stone)}, mixed {way_in_words(law.way)}: {count}, "
            f"{sum(pour.short for pour in own)} of them short\n"
            f"  powder {powder_g:.0f} g, {lost_g:.0f} g of it beyond the cavities{cost}\n"
            f"  a pour of {volume_ml:g} mL takes {law.expected_ml(volume_ml):.1f} mL more than the "
            f"cavity on average, give or take {law.scatter_ml(volume_ml):.1f} mL\n"
            f"  so mix {more_ml:.1f} mL on top ({usual_ml:.1f} mL without the journal): "
            f"{law.risk_percent:g} % chance of running short\n"
            f"  this rests on {count}{few}"
        ).split("\n")
    said = Counter(entry.outcome for entry in pours)
    if said.keys() - {None}:
        counts = [f"{said[name]} {name or 'not said'}" for name in (*OUTCOMES, None) if said[name]]
        lines.append(f"Came out: {', '.join(counts)}")
    return lines or ["No pour is booked yet."]


def last_lines(entries: Sequence[Entry]) -> list[str]:
    """List the last of all pours with their numbers, so that a slip can be found."""
    lines = ["Last pours, by number (a slip: --strike NUMBER; all: --csv FILE)"] * bool(entries)
    for entry in entries[-LAST:]:
        words = [
            entry.booked.partition("T")[0],
            *(visible(text) for text in (entry.scan, entry.stone) if text is not None),
            way_in_words(entry.way),
            f"{entry.powder_g:g} g powder",
            f"{abs(entry.left_g):g} g {'left' if entry.left_g >= 0 else 'short'}",
            *(visible(text) for text in (entry.outcome, entry.why) if text not in (None, SHORT)),
            *["struck out"] * (entry.struck is not None),
        ]
        lines.append(f"  {entry.number}. {', '.join(words)}")
    return lines
