"""Several impressions from one mix: which share it, in what order, and at what time.

Up to nine impressions are planned exactly: every mix that is allowed may come next, after every
set that may have been poured before (Held and Karp 1962, from memory), and of the ways to have
poured the same set one is dropped only where another is as good and done no later. Best are the
fewest past their window, then the fewest mixes, then the least powder with nobody pressed for
time, then the most urgent first. Where nothing can be late the order is no matter, and twelve are
planned at once. More are planned in rounds, the most urgent first.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import accumulate, combinations, permutations
from typing import NamedTuple

from volest.notes import Note
from volest.settings import Settings
from volest.stone.mix import NOTHING, Beyond, Mix, first_pour, shared_pour
from volest.stone.reference import (
    DISINFECTING,
    KINDS,
    Window,
    in_words,
    mixing_min,
    pouring_min,
    whole,
)
from volest.stone.words import cost_of

PASSED = "window-passed"  # code of the note on an impression that is poured too late


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Impression:
    """One impression that waits to be poured."""

    name: str
    volume_ml: float  # its cavity up to the base line
    window: Window | None = None
    age_min: float | None = None  # since it left the mouth; None where nobody knows
    kind: str = KINDS[0]  # one of `KINDS`; dies are prepared teeth in an arch
    scan: str = ""  # '' where it has no other name
    cavity: int = 1
    more: Beyond = NOTHING  # what it takes beyond its cavity

    @property
    def asks(self) -> bool:
        """Whether somebody must say when it was taken."""
        return self.age_min is None and self.window is not None and self.window.is_short

    @property
    def counted_min(self) -> float:
        """How old it is counted to be: where nobody knows, as long as disinfecting may take."""
        return (DISINFECTING.high if self.asks else 0.0) if self.age_min is None else self.age_min

    @property
    def opens_min(self) -> float:
        """From when, counted from now."""
        return -math.inf if self.window is None else self.window.earliest.value - self.counted_min

    @property
    def closes_min(self) -> float:
        """Until when, counted from now."""
        return math.inf if self.window is None else self.window.latest.value - self.counted_min


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedMix:
    """One mix and what is poured from it, in that order; minutes are counted from now."""

    impressions: tuple[Impression, ...]
    mix: Mix
    start_min: float  # when the powder goes into the water
    turns_min: tuple[float, ...]  # when each impression is poured
    notes: tuple[Note, ...]
    late: tuple[Impression, ...] = ()  # past their window when their turn comes

    def turn_of(self, name: str) -> tuple[Impression, float]:
        """Give an impression of the mix, and when it is poured."""
        turns = zip(self.impressions, self.turns_min, strict=True)
        return next((one, at_min) for one, at_min in turns if one.name == name)

    def notes_of(self, name: str) -> tuple[Note, ...]:
        """Give the notes that tell of an impression by its name."""
        told = ((note, note.values.get("scans")) for note in self.notes)
        return tuple(note for note, scans in told if isinstance(scans, tuple) and name in scans)


def this_minute() -> datetime:
    """Give the time, by the clock of this computer."""
    return datetime.now().astimezone().replace(second=0, microsecond=0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """The mixes of a day in order, and a mix for each impression alone; `start` is now."""

    mixes: tuple[SharedMix, ...]
    alone: tuple[Mix, ...]
    start: datetime = field(default_factory=this_minute)

    @property
    def late(self) -> frozenset[str]:
        """Names of the impressions that are past their window when their turn comes."""
        return frozenset(one.name for shared in self.mixes for one in shared.late)

    def notes_of(self, name: str) -> tuple[Note, ...]:
        """Give what the plan notes of an impression by its name."""
        return tuple(note for shared in self.mixes for note in shared.notes_of(name))

    @property
    def sharers(self) -> dict[str, int]:
        """Names of the impressions that share a mix, each with that mix's number."""
        numbered = [(n, shared.impressions) for n, shared in enumerate(self.mixes, start=1)]
        return {one.name: n for n, ones in numbered if len(ones) > 1 for one in ones}

    @property
    def powder_g(self) -> float:
        """Powder of the plan."""
        return sum(shared.mix.powder_g for shared in self.mixes)

    @property
    def alone_g(self) -> float:
        """Powder of single mixes."""
        return sum(made.powder_g for made in self.alone)

    def clock(self, minutes: float) -> str:
        """Say a time on the clock, with its day where that is another one."""
        at = self.at(whole(minutes))
        return f"{at:%H:%M}" if at.date() == self.start.date() else f"{at:%Y-%m-%d %H:%M}"

    def at(self, minutes: float) -> datetime:
        """Give the time so many minutes from now."""
        return (self.start + timedelta(minutes=minutes)).astimezone()

    def by(self, one: Impression) -> str:
        """Say until when an impression is to be poured, never later than that is; '' if unknown."""
        known = one.window is not None and (one.age_min is not None or one.asks)
        return f"by {self.clock(math.floor(one.closes_min))}" if known else ""


def priced(plan: Plan, settings: Settings) -> tuple[float, str] | None:
    """Say what the plan saves, and the currency; None where a stone's price is not known."""
    alone = [cost_of(made.powder_g, made.kind) for made in plan.alone]
    together = [cost_of(shared.mix.powder_g, shared.mix.kind) for shared in plan.mixes]
    if None in alone:
        return None
    return sum(filter(None, alone)) - sum(filter(None, together)), settings.lab.currency


EXACT, CALM_ROUND = 9, 12  # impressions at once: a second at worst; both are threes
# Whoever is poured less than a quarter of an hour before its window ends is pressed for time: each
# minute counts as so much powder. Our choice, without a source.
SPARE_MIN, G_PER_MINUTE = 15.0, 10.0
_URGENT = 4.0  # times as much as the next one in line: one is not kept waiting for many


class _Job(NamedTuple):
    """A mix that is allowed: who is poured from it, in which orders, and how long that takes.

    With each order stand the minutes from the first pour to each turn, and to the end.
    """

    members: tuple[int, ...]
    mix: Mix
    mixing_min: float
    opens_min: float
    orders: tuple[tuple[tuple[int, ...], tuple[float, ...]], ...]


class _Turns(NamedTuple):
    """One way to have poured some impressions: better ones are smaller."""

    late: int
    mixes: int
    cost: float  # powder in g, and haste
    wait: float
    done_min: float  # when the bench is free again
    order: tuple[tuple[_Job, tuple[int, ...], float], ...]  # and when the first is poured


def plan_mixes(
    impressions: Sequence[Impression],
    settings: Settings,
    *,
    at_most: int | None = None,
    start: datetime | None = None,
) -> Plan:
    """Plan so that the fewest are late, in the fewest mixes; those of one stone may share one."""
    most = at_most or settings.lab.sharing.at_most
    alone = tuple(
        first_pour(one.volume_ml, settings.for_scan(one.name), one.more) for one in impressions
    )
    time = settings.lab.time
    soonest_min = [mixing_min(settings.way, time) * made.mixes for made in alone]
    day_min = sum(
        mixed_min + pouring_min(one.kind, time) + time.cleaning_min
        for one, mixed_min in zip(impressions, soonest_min, strict=True)
    )

    def urgency(number: int) -> tuple[float, float, float, str]:
        one = impressions[number]
        is_lost = one.closes_min < soonest_min[number]  # whatever else waits
        due_min = math.inf if is_lost else one.closes_min
        pressing_min = due_min if due_min < day_min else math.inf
        return pressing_min, max(one.opens_min, 0.0), due_min, one.name

    waiting = sorted(range(len(impressions)), key=urgency)
    calm = all(one.opens_min <= 0.0 and one.closes_min >= day_min for one in impressions)
    limit = CALM_ROUND if calm else EXACT
    size = limit if len(waiting) <= limit else limit // most * most
    mixes: list[SharedMix] = []
    clock_min = 0.0
    for first in range(0, len(waiting), size):
        numbers = waiting[first : first + size]
        members = [impressions[number] for number in numbers]
        jobs = list(_allowed(members, [alone[number] for number in numbers], settings, most))
        best = _best(members, jobs, settings, clock_min, calm=calm)
        for job, order, turn_min in best.order:
            mixes.append(_timed([members[at] for at in order], job, order, turn_min))
        clock_min = best.done_min
    return Plan(mixes=tuple(mixes), alone=alone, start=start or this_minute())


def _allowed(
    waiting: Sequence[Impression], alone: Sequence[Mix], settings: Settings, most: int
) -> Iterator[_Job]:
    """List the mixes that stone, bowl, working time and windows allow; dies are poured first."""
    minutes = [pouring_min(one.kind, settings.lab.time) for one in waiting]
    each_min = mixing_min(settings.way, settings.lab.time)
    # What one mix leaves of the working time, its shorter end; nothing where none is known.
    working = [made.kind.working_time for made in alone]
    left_min = [max(time.low - each_min, 0.0) if time else 0.0 for time in working]
    dies = {at for at, one in enumerate(waiting) if one.kind == KINDS[-1]}

    def job(group: tuple[int, ...], made: Mix) -> _Job:
        first = tuple(at for at in group if at in dies)
        orders = ((*first, *rest) for rest in permutations(at for at in group if at not in dies))
        timed = ((order, (0.0, *accumulate(minutes[at] for at in order))) for order in orders)
        opens_min = max(waiting[at].opens_min for at in group)
        return _Job(group, made, each_min * made.mixes, opens_min, tuple(timed))

    for at, made in enumerate(alone):
        notes = made.notes
        if made.mixes == 1 and working[at] and left_min[at] + 1e-9 < minutes[at]:
            times = {"pouring_min": minutes[at], "left_min": left_min[at]}
            notes += (Note("pour-too-long", scans=(waiting[at].name,), **times),)
        yield job((at,), replace(made, notes=notes))
    # One that no mix saves must be asked about first, and may not be poured: nobody waits for it.
    sure = [at for at, one in enumerate(waiting) if one.closes_min >= each_min * alone[at].mixes]
    for size in range(2, most + 1):
        for group in combinations(sure, size):
            members = [waiting[at] for at in group]
            if (
                sum(minutes[at] for at in group) > left_min[group[0]] + 1e-9
                or len({alone[at].stone for at in group}) > 1
                or len(dies.intersection(group)) > 1
                or max(m.opens_min for m in members) > min(m.closes_min for m in members)
            ):
                continue
            volumes_ml, more = [one.volume_ml for one in members], [one.more for one in members]
            shared = shared_pour(volumes_ml, settings.for_scan(members[0].name), more)
            if shared is not None:
                yield job(group, shared)


def _best(
    waiting: Sequence[Impression],
    jobs: Sequence[_Job],
    settings: Settings,
    clock_min: float,
    *,
    calm: bool,
) -> _Turns:
    """Find the best of all orders of all mixes; where all is calm, the next in line always goes."""
    everyone = (1 << len(waiting)) - 1
    sets = [(sum(1 << at for at in job.members), job) for job in jobs]
    closes_min = [one.closes_min for one in waiting]
    reached: dict[int, list[_Turns]] = {0: [_Turns(0, 0, 0.0, 0.0, clock_min, ())]}
    for poured in range(everyone):  # a set comes after all that it contains
        ways: list[_Turns] = []
        for way in sorted(reached.pop(poured, []), key=lambda way: way[:5]):
            if not ways or way.done_min < ways[-1].done_min:  # else another is as good, and sooner
                ways.append(way)
        wanted = ~poured & (poured + 1) if calm else everyone
        for members, job in sets if ways else ():
            if members & wanted and not members & poured:
                reached.setdefault(poured | members, []).extend(
                    _then(way, job, closes_min, settings.lab.time.cleaning_min) for way in ways
                )
    return min(reached[everyone], key=lambda way: way[:4])


def _then(way: _Turns, job: _Job, closes_min: Sequence[float], cleaning_min: float) -> _Turns:
    """Make one more mix, its impressions in the best order."""
    first_min = max(way.done_min + job.mixing_min, job.opens_min)
    end_min = first_min + job.orders[0][1][-1]
    pressed = any(closes_min[at] < end_min + SPARE_MIN for at in job.members)
    outcomes = []
    for order, after_min in job.orders if pressed else job.orders[:1]:
        late, haste, wait = 0, 0.0, 0.0
        for at, minutes in zip(order, after_min, strict=False):
            turn_min = first_min + minutes
            spare_min = closes_min[at] - turn_min
            late += spare_min < 0.0
            if closes_min[at] >= job.mixing_min:  # what is lost already is in no haste
                haste += max(SPARE_MIN - spare_min, 0.0)
            wait += turn_min * _URGENT ** (len(closes_min) - at)
        outcomes.append((late, haste, wait, order))
    late, haste, wait, order = min(outcomes)
    return _Turns(
        way.late + late,
        way.mixes + 1,
        way.cost + job.mix.powder_g + G_PER_MINUTE * haste,
        way.wait + wait,
        end_min + cleaning_min,
        (*way.order, (job, order, first_min)),
    )


def _timed(
    members: Sequence[Impression], job: _Job, order: tuple[int, ...], first_min: float
) -> SharedMix:
    turns_min = tuple(first_min + minutes for minutes in dict(job.orders)[order][:-1])
    turns = zip(members, turns_min, strict=True)
    late = [(one, at_min) for one, at_min in turns if at_min > one.closes_min]
    return SharedMix(
        impressions=tuple(members),
        mix=job.mix,
        start_min=first_min - job.mixing_min,
        turns_min=turns_min,
        notes=(*job.mix.notes, *_asked(members), *_late_notes(late, job.mixing_min)),
        late=tuple(one for one, _ in late),
    )


def _asked(members: Sequence[Impression]) -> Iterator[Note]:
    """Ask when those were taken that must be poured soon after it."""
    for window in dict.fromkeys(one.window for one in members):
        asked = [one for one in members if one.asks and one.window is window]
        if asked and window is not None:
            yield Note(
                "time-not-known",
                scans=tuple(one.name for one in asked),
                material=window.material,
                window=str(window),
                counted_min=asked[0].counted_min,
            )


def _late_notes(late: Sequence[tuple[Impression, float]], soonest_min: float) -> Iterator[Note]:
    """Tell who is late, material by material; those that no mix can save go first."""
    told: dict[tuple[Window, bool, bool], list[tuple[str, str]]] = {}
    windows = [one.window for one, _ in late if one.window is not None]  # all have one
    for window, (one, turn_min) in zip(windows, late, strict=True):
        at_turn = one.closes_min >= soonest_min
        age_min = one.counted_min + at_turn * turn_min
        is_lost = window.lost is not None and age_min > window.lost.value
        told.setdefault((window, at_turn, is_lost), []).append((one.name, in_words(age_min)))
    for key in sorted(told, key=lambda key: (windows.index(key[0]), *key[1:])):
        window, at_turn, is_lost = key
        scans, ages = zip(*told[key], strict=True)
        yield Note(
            PASSED,
            scans=scans,
            ages=ages,
            at_turn=at_turn,
            material=window.material,
            evidence=window.beyond,
            is_lost=is_lost,
        )
