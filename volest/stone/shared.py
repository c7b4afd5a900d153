"""Several impressions from one mix: which share it, and in what order.

Which impressions share a mix is a set partition, solved exactly by mixed-integer programming
(HiGHS, as `scipy.optimize.milp` has it): a day has few impressions, and so every group that is
allowed can be listed with what it really takes after rounding. First-fit decreasing would need no
solver and is proven to stay within 11/9 of the best and 6/9 of a bin (Dosa 2007, from memory), but
not with a limit on how many share, and it knows nothing of rounding. The order is by the end of
the window, which is best for the greatest delay on one bench (Jackson 1955, from memory); what is
lost already goes last, and while a window has yet to open the bench does what fits before it.
Where that leaves some past their window, one mix after another is moved as long as that saves any.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from volest.notes import Note
from volest.settings import Settings
from volest.stone.mix import Mix
from volest.stone.pours import NOTHING, Beyond, first_pour, shared_pour
from volest.stone.reference import CLEANING, POURING, Window, in_words, mixing_min
from volest.stone.stones import find_stone
from volest.stone.words import cost_of

PASSED = "window-passed"  # code of the note on an impression that is poured too late


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Impression:
    """One impression that waits to be poured.

    Parameters
    ----------
    volume_ml : float
        Its cavity up to the base line.
    more : Beyond
        What it takes beyond that.
    window : Window or None
        When its material may be poured; None where that is not known.
    age_min : float
        Time since it was taken out of the mouth.
    scan, cavity : str and int
        The scan it comes from, '' where it has no other name, and which impression of that it is.
    """

    name: str
    volume_ml: float
    window: Window | None = None
    age_min: float = 0.0
    scan: str = ""
    cavity: int = 1
    more: Beyond = NOTHING

    @property
    def opens_min(self) -> float:
        """From when, counted from now."""
        return 0.0 if self.window is None else self.window.earliest.value - self.age_min

    @property
    def closes_min(self) -> float:
        """Until when, counted from now."""
        return math.inf if self.window is None else self.window.latest.value - self.age_min


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedMix:
    """One mix and what is poured from it, in that order.

    Parameters
    ----------
    start_min : float
        When the powder goes into the water, counted from now.
    late : tuple of Impression
        Those that are past their window when their turn comes.
    """

    impressions: tuple[Impression, ...]
    mix: Mix
    start_min: float
    notes: tuple[Note, ...]
    late: tuple[Impression, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """The mixes of a day in order, and a mix for each impression alone."""

    mixes: tuple[SharedMix, ...]
    alone: tuple[Mix, ...]

    @property
    def late(self) -> frozenset[str]:
        """Names of the impressions that are past their window when their turn comes."""
        return frozenset(one.name for shared in self.mixes for one in shared.late)

    @property
    def powder_g(self) -> float:
        """Powder of the plan."""
        return sum(shared.mix.powder_g for shared in self.mixes)

    @property
    def alone_g(self) -> float:
        """Powder of single mixes."""
        return sum(made.powder_g for made in self.alone)


def priced(plan: Plan, settings: Settings) -> tuple[float, str] | None:
    """Say what the plan saves, and the currency; None where a stone's price is not known."""
    alone = [cost_of(made.powder_g, made.kind) for made in plan.alone]
    together = [cost_of(shared.mix.powder_g, shared.mix.kind) for shared in plan.mixes]
    if None in alone:
        return None
    return sum(filter(None, alone)) - sum(filter(None, together)), settings.lab.currency


# Twelve impressions took half a second at worst over 120 random days, 24 took two minutes once.
# More are planned in rounds, the most urgent first; twelve is whole in mixes of 2, 3 and 4.
ROUND = 12
# Impressions that must be poured soon are kept together: a minute between the ends of their
# windows counts as so much powder, up to two hours. Our choice, without a source.
G_PER_MINUTE = 10.0
MOST_APART_MIN = 120.0
LONGEST_MIN = 1e6  # stands for a window that is not known
MOST_TRIED = 30  # mixes that are tried in other orders; a day's work, and a second at most
_Job = tuple[tuple[Impression, ...], Mix]


def plan_mixes(
    impressions: Sequence[Impression], settings: Settings, *, at_most: int | None = None
) -> Plan:
    """Plan the fewest mixes, then the least powder; those of one stone may share a mix."""
    most = at_most or settings.lab.sharing.at_most
    alone = tuple(_alone(one, settings) for one in impressions)
    ready_min = {
        one.name: mixing_min(settings.way) * made.mixes
        for one, made in zip(impressions, alone, strict=True)
    }

    def urgency(one: Impression) -> tuple[float, str]:
        return _due_min(one, ready_min[one.name]), one.name

    waiting = sorted(impressions, key=urgency)
    groups: list[tuple[Impression, ...]] = []
    for start in range(0, len(waiting), ROUND):
        groups += _best(waiting[start : start + ROUND], settings, most)
    groups.sort(key=lambda group: min(map(urgency, group)))
    return Plan(mixes=tuple(_timed(groups, settings)), alone=alone)


def most_in_time(settings: Settings) -> int:
    """Say how many impressions can be poured from one mix inside its working time.

    ``(working time - mixing) / pouring``, its shorter end; 1 where none is known.
    """
    working = find_stone(settings.stone, settings.lab).working_time
    if working is None:
        return 1
    left_min = working.low - mixing_min(settings.way)
    return max(1, int(left_min / POURING.value + 1e-9))


def _best(
    waiting: Sequence[Impression], settings: Settings, most: int
) -> list[tuple[Impression, ...]]:
    """Choose among all groups that are allowed those that hold each impression once."""
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    groups, penalties_g = [], []
    for group, powder_g in _allowed(waiting, settings, most):
        groups.append(group)
        apart_min = _apart_min([waiting[one] for one in group], mixing_min(settings.way))
        penalties_g.append(powder_g + G_PER_MINUTE * apart_min)
    # One mix less outweighs all else that could be saved: singles come first and lie no way apart.
    worst_g = sum(penalties_g[: len(waiting)]) + G_PER_MINUTE * MOST_APART_MIN * len(waiting)
    costs = np.array(penalties_g) + worst_g + 1.0
    rows = [one for group in groups for one in group]
    columns = [at for at, group in enumerate(groups) for _ in group]
    holds = csr_array((np.ones(len(rows)), (rows, columns)), shape=(len(waiting), len(groups)))
    found = milp(
        costs,
        integrality=np.ones(len(groups)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(holds, 1, 1),
        options={"mip_rel_gap": 0.0},
    )
    chosen = [group for group, taken in zip(groups, found.x, strict=True) if taken > 0.5]  # noqa: PLR2004  # 0 or 1
    return [tuple(waiting[one] for one in group) for group in chosen]


def _allowed(
    waiting: Sequence[Impression], settings: Settings, most: int
) -> Iterator[tuple[tuple[int, ...], float]]:
    singles = [_alone(one, settings) for one in waiting]
    for one, made in enumerate(singles):
        yield (one,), made.powder_g
    in_time = [most_in_time(settings.for_scan(one.name)) for one in waiting]
    for size in range(2, most + 1):
        for group in combinations(range(len(waiting)), size):
            members = [waiting[one] for one in group]
            if size > in_time[group[0]] or len({singles[one].stone for one in group}) > 1:
                continue
            if max(m.opens_min for m in members) > min(m.closes_min for m in members):
                continue
            shared = _together(members, settings)
            if shared is not None:
                yield group, shared.powder_g


def _timed(groups: Sequence[tuple[Impression, ...]], settings: Settings) -> Iterator[SharedMix]:
    jobs = _least_late([(group, _mixed(group, settings)) for group in groups], settings)
    for (group, made), start_min in _on_the_bench(jobs, settings):
        late = list(_late(group, made, start_min, settings))
        yield SharedMix(
            impressions=group,
            mix=made,
            start_min=start_min,
            notes=(*made.notes, *_late_notes(late, mixing_min(settings.way) * made.mixes)),
            late=tuple(one for one, _ in late),
        )


def _least_late(jobs: list[_Job], settings: Settings) -> list[_Job]:
    """Move one mix to another place, for as long as fewer impressions pass their window by it."""

    def lost(order: Sequence[_Job]) -> int:
        done = _on_the_bench(order, settings)
        return sum(len(list(_late(*job, start_min, settings))) for job, start_min in done)

    least = lost(jobs)
    while least and len(jobs) <= MOST_TRIED:
        others = [(at, [*jobs[:at], *jobs[at + 1 :]]) for at in range(len(jobs))]
        tried = [
            [*rest[:to], jobs[at], *rest[to:]] for at, rest in others for to in range(len(jobs))
        ]
        best = min(tried, key=lost)
        fewest = lost(best)
        if fewest >= least:
            break
        jobs, least = best, fewest
    return jobs


def _on_the_bench(jobs: Sequence[_Job], settings: Settings) -> Iterator[tuple[_Job, float]]:
    """Give the mixes as they are made, each with the minute in which that begins."""
    waiting, clock_min = list(jobs), 0.0
    while waiting:
        job = waiting.pop(_next(waiting, clock_min, settings))
        start_min, done_min = _span_min(*job, clock_min, settings)
        yield job, start_min
        clock_min = done_min + CLEANING.value


def _late(
    group: Sequence[Impression], made: Mix, start_min: float, settings: Settings
) -> Iterator[tuple[Impression, float]]:
    """Give those whose turn comes past their window, and when it comes."""
    first_min = start_min + mixing_min(settings.way) * made.mixes
    for place, one in enumerate(group):
        at_min = first_min + POURING.value * place
        if at_min > one.closes_min:
            yield one, at_min


def _mixed(group: Sequence[Impression], settings: Settings) -> Mix:
    # No single mix where an impression by itself takes two
    return _together(group, settings) or _alone(group[0], settings)


def _alone(one: Impression, settings: Settings) -> Mix:
    return first_pour(one.volume_ml, settings.for_scan(one.name), one.more)


def _together(group: Sequence[Impression], settings: Settings) -> Mix | None:
    own = settings.for_scan(group[0].name)
    volumes_ml, more = [one.volume_ml for one in group], [one.more for one in group]
    return shared_pour(volumes_ml, own, more)


def _span_min(
    group: Sequence[Impression], made: Mix, clock_min: float, settings: Settings
) -> tuple[float, float]:
    """Say from when to when the bench is busy with a group."""
    mixing = mixing_min(settings.way) * made.mixes
    start_min = max(clock_min, max(one.opens_min for one in group) - mixing)
    return start_min, start_min + mixing + POURING.value * len(group)


def _next(waiting: Sequence[_Job], clock_min: float, settings: Settings) -> int:
    """Take the first group, or one that is done by the time when that may be poured."""
    first_min, _ = _span_min(*waiting[0], clock_min, settings)
    for number, (group, made) in enumerate(waiting):
        start_min, done_min = _span_min(group, made, clock_min, settings)
        if start_min == clock_min and (not number or done_min + CLEANING.value <= first_min):
            return number
    return 0


def _late_notes(late: Sequence[tuple[Impression, float]], mixing: float) -> Iterator[Note]:
    over = [(one.name, one.age_min) for one, _ in late if one.closes_min < mixing]
    waiting = [(one.name, one.age_min + at) for one, at in late if one.closes_min >= mixing]
    for passed, at_turn in ((over, False), (waiting, True)):
        if passed:
            ages = tuple(in_words(age_min) for _, age_min in passed)
            scans = tuple(name for name, _ in passed)
            yield Note(PASSED, scans=scans, ages=ages, at_turn=at_turn)


def _due_min(one: Impression, mixing: float) -> float:
    """Say until when an impression waits: one that no mix can save any more, for ever."""
    return one.closes_min if one.closes_min >= mixing else math.inf


def _apart_min(members: Sequence[Impression], mixing: float) -> float:
    ends = [min(_due_min(one, mixing), LONGEST_MIN) for one in members]
    return min(max(ends) - min(ends), MOST_APART_MIN)
