"""Shared mixes: as good as trying everything, inside time, bowl and window.

Sharing at its limits: windows that just meet, the time a pour takes, unknown windows.

When an impression may be poured, and what a plan saves: counted by hand.
"""

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise, permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.flat import LAWS
from volest.lab import BenchTime, Bowl, Lab, OwnStone, Sharing
from volest.notes import Note
from volest.settings import Settings
from volest.stone.mix import first_pour, shared_pour
from volest.stone.reference import BENCH_FIGURES, Band, mixing_min, pour_window
from volest.stone.shared import CALM_ROUND, Impression, plan_mixes, priced

BOWL = Bowl(name="large", most_ml=160)
LAB = Lab(bowl=(BOWL,))
SLOW = OwnStone(name="slow", like="type-4", working_low_min=10.0)
BY_SLOW = Settings(stone="slow", lab=Lab(stone=(SLOW,)))


def waiting(*volumes_ml: float) -> list[Impression]:
    return [Impression(name=f"b{at:02}", volume_ml=v) for at, v in enumerate(volumes_ml)]


def partitions(items: Sequence[int], most: int) -> Iterator[list[list[int]]]:
    """List every way to deal items into groups; nothing but the definition."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for smaller in partitions(rest, most):
        yield [[first], *smaller]
        for at, group in enumerate(smaller):
            if len(group) < most:
                yield [*smaller[:at], [first, *group], *smaller[at + 1 :]]


@settings(max_examples=25)
@given(st.lists(st.floats(10.0, 75.0), min_size=1, max_size=6))
def test_as_good_as_trying_everything(volumes_ml: list[float]) -> None:
    plan = plan_mixes(waiting(*volumes_ml), Settings(lab=LAB))
    best = (99, 0.0)
    for groups in partitions(range(len(volumes_ml)), 3):
        made = [
            shared_pour([volumes_ml[at] for at in group], Settings(lab=LAB)) for group in groups
        ]
        if all(mix is not None for mix in made):
            best = min(best, (len(groups), sum(mix.powder_g for mix in made if mix)))
    assert len(plan.mixes) == best[0]
    assert plan.powder_g == pytest.approx(best[1])


@settings(max_examples=25)
@given(st.lists(st.floats(10.0, 120.0), min_size=1, max_size=10), st.integers(1, 4))
def test_every_impression_once_and_no_limit_broken(volumes_ml: list[float], most: int) -> None:
    impressions = waiting(*volumes_ml)
    plan = plan_mixes(impressions, Settings(lab=LAB), at_most=most)
    poured = sorted(one.name for shared in plan.mixes for one in shared.impressions)
    assert poured == [one.name for one in impressions]
    for shared in plan.mixes:
        assert len(shared.impressions) <= min(most, 3)
        assert shared.mix.mix_ml <= BOWL.most_ml
        needed_ml = 1.15 * sum(one.volume_ml for one in shared.impressions)
        assert shared.mix.mix_ml >= needed_ml - 1e-8
    starts = [shared.start_min for shared in plan.mixes]
    assert starts == sorted(starts)
    assert plan.powder_g <= plan.alone_g + 1e-9


def most_in_time(settings: Settings) -> int:
    """Of four quadrants, those of the fullest mix; four may share one."""
    four = [Impression(name=name, volume_ml=5.0) for name in "abcd"]
    mixes = plan_mixes(four, settings, at_most=4).mixes
    return max(len(shared.impressions) for shared in mixes)


def test_two_to_three_impressions_fit_the_working_time() -> None:
    # A supplier's page of rules: 2 to 3 impressions in one mix, at most. Working time 5 to 7 min:
    # study cards "Gypsum products".
    rule = BENCH_FIGURES["impressions in one mix"]
    assert isinstance(rule, Band)
    assert most_in_time(Settings()) in rule
    assert most_in_time(Settings(stone="type-1")) == 1  # no working time was found
    slow = OwnStone(name="slow", like="type-4", working_low_min=10.0)
    assert most_in_time(Settings(stone="slow", lab=Lab(stone=(slow,)))) == 4
    assert Sharing().at_most == rule.high


def test_a_residue_in_every_bowl_is_what_sharing_saves() -> None:
    # Three mixes leave 5 mL each, one mix leaves 5 mL: 10 mL less, 10 / (1/2.76 + 0.2) = 17.8 g.
    law = replace(
        next(law for law in LAWS if (law.stone, law.way) == ("type-4", "vacuum")), fixed_ml=5.0
    )
    plan = plan_mixes(waiting(20, 20, 20), Settings(learned=(law,)))
    assert len(plan.mixes) == 1
    assert plan.alone_g - plan.powder_g == pytest.approx(17.8, abs=3)  # each mix rounds up 1 g


def test_the_urgent_ones_go_first_and_together() -> None:
    alginate, addition = pour_window("alginate"), pour_window("addition-silicone")
    impressions = [
        Impression(name="slow-1", volume_ml=50, window=addition, age_min=300),
        Impression(name="soon-1", volume_ml=50, window=alginate, age_min=2),
        Impression(name="slow-2", volume_ml=50, window=addition, age_min=300),
        Impression(name="soon-2", volume_ml=50, window=alginate, age_min=2),
    ]
    plan = plan_mixes(impressions, Settings(), at_most=2)
    assert [[one.name for one in s.impressions] for s in plan.mixes] == [
        ["soon-1", "soon-2"],
        ["slow-1", "slow-2"],
    ]
    assert all(shared.notes == () for shared in plan.mixes)


def test_a_window_that_closes_is_said() -> None:
    window = pour_window("alginate")
    impressions = [
        Impression(name=f"b{at}", volume_ml=50, window=window, age_min=10) for at in range(4)
    ]
    plan = plan_mixes(impressions, Settings(), at_most=2)
    assert [note.code for note in plan.mixes[0].notes] == []
    assert [note.code for note in plan.mixes[1].notes] == ["window-passed"]


def test_a_window_that_has_closed_is_not_opened_by_a_second_person() -> None:
    # Alginate within 15 min (a course page on casts): 14 min and 2 min of mixing are over.
    window = pour_window("alginate")
    ages_min = {"over": 14.0, "first": 13.0, "soon": 12.5}
    impressions = [
        Impression(name=name, volume_ml=20, window=window, age_min=age_min)
        for name, age_min in ages_min.items()
    ]
    plan = plan_mixes(impressions, Settings())
    assert [[one.name for one in made.impressions] for made in plan.mixes] == [
        ["first", "soon"],
        ["over"],
    ]
    (soon,), (over,) = (made.notes for made in plan.mixes)
    alike = {"material": "alginate", "evidence": window.beyond, "is_lost": False}
    assert over.values == {"scans": ("over",), "ages": ("14 min",), "at_turn": False, **alike}
    # 15.5: 2 min of mixing, 1 for the one before
    assert soon.values == {"scans": ("soon",), "ages": ("16 min",), "at_turn": True, **alike}
    assert plan.late == {"over", "soon"}


def test_what_cannot_be_saved_keeps_nobody_waiting() -> None:
    # Alginate within 15 min: 40 min is lost; 11 min is in time if it comes first (2 min of mixing).
    window = pour_window("alginate")
    lost, soon = (
        Impression(name=name, volume_ml=50, window=window, age_min=age_min)
        for name, age_min in (("lost", 40.0), ("soon", 11.0))
    )
    plan = plan_mixes([lost, soon], Settings(), at_most=1)
    assert [[one.name for one in made.impressions] for made in plan.mixes] == [["soon"], ["lost"]]
    assert plan.late == {"lost"}


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.floats(10.0, 60.0), st.floats(0.0, 14.0), st.booleans()),
        min_size=2,
        max_size=9,
    ),
    st.integers(2, 3),
)
def test_no_other_order_of_these_mixes_loses_fewer(
    waiting_ones: list[tuple[float, float, bool]], most: int
) -> None:
    alginate = pour_window("alginate")
    impressions = [
        Impression(name=f"b{at}", volume_ml=ml, window=alginate if short else None, age_min=age_min)
        for at, (ml, age_min, short) in enumerate(waiting_ones)
    ]
    plan = plan_mixes(impressions, Settings(), at_most=most)

    def lost(order: Sequence[Sequence[Impression]]) -> int:
        """Count by hand: 2 min to mix, 1 min an impression, then the bowl is cleaned."""
        clock_min, count = 0.0, 0
        for group in order:
            turns = [clock_min + 2.0 + place for place in range(len(group))]
            late = zip(group, turns, strict=True)
            count += sum(one.window is not None and one.counted_min + at > 15.0 for one, at in late)
            clock_min += 2.0 + len(group) + BenchTime().cleaning_min
        return count

    groups = [shared.impressions for shared in plan.mixes]
    assert len(plan.late) == lost(groups)
    assert len(plan.late) == min(map(lost, permutations(groups)))


MINUTES = {"quadrant": 1.0, "arch": 1.5, "dies": 3.0}  # common practice, no source
WINDOWS_MIN = {None: (-math.inf, math.inf), "alginate": (0, 15), "polyether": (30, 1440)}
WINDOWS_MIN |= {"polysulfide": (0, 60), "agar": (0, 15), "condensation-silicone": (0, 30)}


def random_day(number: int) -> list[Impression]:
    """Make up to seven impressions, most of them old enough to be in a hurry, some too old."""
    luck = random.Random(number)  # noqa: S311  # the same days each time
    materials = luck.choices([*WINDOWS_MIN], k=luck.randint(2, 7))
    oldest_min = {**{name: high + 2.0 for name, (_, high) in WINDOWS_MIN.items()}, "polyether": 40}
    return [
        Impression(
            name=f"b{at}",
            volume_ml=luck.uniform(10.0, 60.0),
            window=None if material is None else pour_window(material),
            age_min=0.0 if material is None else luck.uniform(0.0, oldest_min[material]),
            kind=luck.choice([*MINUTES]),
        )
        for at, material in enumerate(materials)
    ]


def ends_min(one: Impression) -> tuple[float, float]:
    low, high = WINDOWS_MIN[None if one.window is None else one.window.material]
    return low - (one.age_min or 0.0), high - (one.age_min or 0.0)


def pours(left: Sequence[Impression], most: int) -> Iterator[tuple[Impression, ...]]:
    """List what may be poured next from one mix: 5 min of working time, 2 to mix."""
    for size in range(1, min(most, len(left)) + 1):
        for group in permutations(left, size):
            opens, closes = zip(*map(ends_min, group), strict=True)
            in_time = size == 1 or sum(MINUTES[one.kind] for one in group) <= 3.0
            first = all(one.kind != "dies" for one in group[1:])
            # One that no mix can save any more is asked about: nobody waits for it.
            first &= size == 1 or min(closes) >= 2.0
            if in_time and first and max(opens) <= min(closes):
                yield group


def better_day(waiting_ones: Sequence[Impression], most: int, late: int, mixes: int) -> bool:
    """Try every order of every impression in every mix; stop where it cannot beat the plan.

    By hand: 2 min to mix, then one after the other; 2 min of cleaning.
    """

    def go_on(left: tuple[Impression, ...], clock_min: float, lost: int, made: int) -> bool:
        if not left:
            return (lost, made) < (late, mixes)
        if lost > late or (lost == late and made + math.ceil(len(left) / most) >= mixes):
            return False
        for group in pours(left, most):
            opens, closes = zip(*map(ends_min, group), strict=True)
            turn_min, over = max(clock_min + 2.0, *opens, 0.0), 0
            for one, closes_min in zip(group, closes, strict=True):
                over += turn_min > closes_min
                turn_min += MINUTES[one.kind]
            rest = tuple(one for one in left if one not in group)
            if go_on(rest, turn_min + 2.0, lost + over, made + 1):
                return True
        return False

    return go_on(tuple(waiting_ones), 0.0, 0, 0)


@pytest.mark.parametrize(
    "days", [range(40), pytest.param(range(40, 300), marks=pytest.mark.slow)], ids=["40", "260"]
)
def test_no_other_day_loses_fewer_or_takes_fewer_mixes(days: Sequence[int]) -> None:
    hurried = 0
    for number in days:
        impressions, most = random_day(number), number % 3 + 1
        plan = plan_mixes(impressions, Settings(), at_most=most)
        assert not better_day(impressions, most, len(plan.late), len(plan.mixes)), number
        # One that must be worse is found: it sees what there is to be seen.
        assert better_day(impressions, most, len(plan.late), len(plan.mixes) + 1), number
        told = {scan for made in plan.mixes for note in made.notes for scan in scans_of(note)}
        assert plan.late == told  # none passes without a word
        hurried += bool(plan.late)
    assert hurried > len(days) / 4


def scans_of(note: Note) -> Sequence[str]:
    scans = note.values["scans"]
    assert isinstance(scans, tuple)
    return [str(scan) for scan in scans]


def test_dies_are_poured_first_or_alone() -> None:
    # 5 min of working time, 2 of mixing, 3 for an arch with dies (common practice): alone. With
    # 10 min others follow it, and no second one with dies.
    ones = [
        Impression(name=f"b{at}", volume_ml=20.0, kind=kind)
        for at, kind in enumerate(("quadrant", "dies", "quadrant", "dies"))
    ]
    kinds = [
        [[one.kind for one in made.impressions] for made in plan_mixes(ones, each).mixes]
        for each in (Settings(), BY_SLOW)
    ]
    assert sorted(kinds[0]) == [["dies"], ["dies"], ["quadrant", "quadrant"]]
    assert len(kinds[1]) == 2
    assert all(made[0] == "dies" and made.count("dies") == 1 for made in kinds[1])
    turns = [made.turns_min for made in plan_mixes(ones[:2], BY_SLOW).mixes]
    assert turns == [(2.0, 5.0)]


def test_who_does_not_say_when_is_asked() -> None:
    # Alginate within 15 min; disinfecting takes up to 10 (a course page on casts): 5 are left.
    ones = [Impression(name="a", volume_ml=20.0, window=pour_window("alginate"))]
    ones += [Impression(name="s", volume_ml=20.0, window=pour_window("vinyl-polyether-silicone"))]
    assert [one.closes_min for one in ones] == [5.0, 20160.0]
    plan = plan_mixes(
        ones, Settings(), start=datetime.fromisoformat("2026-03-02 09:58").astimezone()
    )
    notes = [note for made in plan.mixes for note in made.notes]
    assert [(note.code, note.values["scans"]) for note in notes] == [("time-not-known", ("a",))]
    assert [plan.by(one) for one in ones] == ["by 10:03", ""]
    known = [replace(one, age_min=3.5) for one in ones]
    plan = plan_mixes(
        known, Settings(), start=datetime.fromisoformat("2026-03-02 09:58").astimezone()
    )
    assert not [note for made in plan.mixes for note in made.notes]
    # 11.5 min from 9:58 on: never later than it holds
    assert [plan.by(one) for one in known] == ["by 10:09", "by 2026-03-16 09:54"]


def test_a_new_impression_is_asked_for_only_where_the_evidence_is_that_strong() -> None:
    # Polyether: a study sound at 24 h, bad at 7 days; makers allow more. Agar: studies of 15, 30.
    cases = {"polyether": 30 * 60.0, "alginate": 40.0, "agar": 40.0, "polysulfide": 90.0}
    for material, age_min in cases.items():
        old = Impression(name="b", volume_ml=20.0, window=pour_window(material), age_min=age_min)
        (note,) = plan_mixes([old], Settings()).mixes[0].notes
        assert note.code == "window-passed"
        assert "maker's sheet" in note.do
        assert pour_window(material).beyond in note.text
        assert ("new impression" in note.do) == (material == "agar")


def test_minutes_of_the_lab_are_kept_to() -> None:
    # 4 min to mix, 2 an arch, 1 to clean: the second mix is ready 4 + 2 + 1 + 4 min from now.
    time = BenchTime(vacuum_min=4.0, arch_min=2.0, cleaning_min=1.0)
    ones = [Impression(name=name, volume_ml=20.0, kind="arch") for name in "ab"]
    plan = plan_mixes(ones, Settings(lab=Lab(time=time)))
    assert [made.turns_min for made in plan.mixes] == [(4.0,), (11.0,)]
    # 5 min of working time less 4: an arch takes longer, and that is said
    for made in plan.mixes:
        (note,) = made.notes
        assert note.code == "pour-too-long"
        names = tuple(one.name for one in made.impressions)
        assert note.values == {"scans": names, "pouring_min": 2.0, "left_min": 1.0}


def test_what_takes_two_mixes_is_lost_earlier() -> None:
    # 250 mL are two mixes of bowl and 4 min of mixing: 12 min of 15 are too late for it, and not
    # for what takes one mix and 2 min (alginate within 15 min).
    alginate = pour_window("alginate")
    large, small = (
        Impression(name=name, volume_ml=volume_ml, window=alginate, age_min=age_min)
        for name, volume_ml, age_min in (("large", 250.0, 12.0), ("small", 20.0, 11.5))
    )
    plan = plan_mixes([large, small], Settings(lab=LAB), at_most=1)
    assert [made.impressions[0].name for made in plan.mixes] == ["small", "large"]
    assert plan.late == {"large"}


def test_the_bench_does_not_idle_while_something_can_be_poured() -> None:
    # Polyether waits 30 min (textbooks, from memory), an unknown material does not: 2 min of
    # mixing, 1 of pouring and 2 of cleaning are over long before.
    later = Impression(name="p", volume_ml=50, window=pour_window("polyether"), age_min=10)
    free = Impression(name="free", volume_ml=50)
    plan = plan_mixes([later, free], Settings(), at_most=1)
    assert [made.impressions[0].name for made in plan.mixes] == ["free", "p"]
    assert [made.start_min for made in plan.mixes] == [0.0, 18.0]
    # 21 min old it may be poured 9 min from now, and mixing starts at 7; 26 min old, it is kept
    # waiting for a minute, and has a day left.
    for age_min, start_min in ((21.0, 7.0), (26.0, 5.0)):
        soon = Impression(name="p", volume_ml=50, window=pour_window("polyether"), age_min=age_min)
        plan = plan_mixes([soon, free], Settings(), at_most=1)
        assert [made.impressions[0].name for made in plan.mixes] == ["free", "p"]
        assert [made.start_min for made in plan.mixes] == [0.0, start_min]


def test_nothing_is_poured_before_its_window_opens() -> None:
    # Textbooks of dental materials, from memory: polyether waits 30 min.
    one = Impression(name="b1", volume_ml=50, window=pour_window("polyether"), age_min=10)
    (shared,) = plan_mixes([one], Settings()).mixes
    assert shared.start_min == 18.0  # poured after 2 min of mixing, 20 min from now


def test_windows_that_do_not_meet_never_share() -> None:
    early = Impression(name="a", volume_ml=30, window=pour_window("alginate"))
    late = Impression(name="p", volume_ml=30, window=pour_window("polyether"))
    plan = plan_mixes([early, late], Settings())
    assert [[one.name for one in s.impressions] for s in plan.mixes] == [["a"], ["p"]]


def test_one_that_takes_two_mixes_stays_alone() -> None:
    plan = plan_mixes(waiting(20, 200, 20), Settings(lab=LAB))
    alone = next(s for s in plan.mixes if s.impressions[0].volume_ml == 200)
    assert (len(alone.impressions), alone.mix.mixes) == (1, 2)
    assert alone.mix.as_record() == first_pour(200, Settings(lab=LAB)).as_record()


def test_more_than_a_round_are_planned_too() -> None:
    plan = plan_mixes(waiting(*([30.0] * (CALM_ROUND + 6))), Settings())
    assert len(plan.mixes) == (CALM_ROUND + 6) // 3
    assert plan_mixes([], Settings()).mixes == ()


@settings(max_examples=25)
@given(st.lists(st.floats(10.0, 60.0), min_size=2, max_size=6), st.integers(1, 5))
def test_stones_are_planned_apart_on_one_bench(volumes_ml: list[float], cut: int) -> None:
    both = Settings(lab=LAB, stones_for=tuple((f"b{at:02}", "type-3") for at in range(cut)))
    impressions = waiting(*volumes_ml)
    plan = plan_mixes(impressions, both)
    # One stone knows nothing of the other: the plan of both is that of each by itself.
    apart = (
        plan_mixes(impressions[:cut], Settings(lab=LAB, stone="type-3")),
        plan_mixes(impressions[cut:], Settings(lab=LAB)),
    )
    assert len(plan.mixes) == sum(len(one.mixes) for one in apart)
    assert plan.powder_g == pytest.approx(sum(one.powder_g for one in apart))
    for shared in plan.mixes:
        wanted = {"type-3" if one in impressions[:cut] else "type-4" for one in shared.impressions}
        assert wanted == {shared.mix.stone}
    starts = [shared.start_min for shared in plan.mixes]
    assert all(later > earlier for earlier, later in pairwise(starts))


def test_savings_have_a_price_where_the_lab_names_one() -> None:
    lab = Lab(currency="CHF", stone=(OwnStone(name="type-4", price_per_kg=5.0),))
    with_price = Settings(lab=lab, residue_ml=5.0)
    plan = plan_mixes(waiting(20, 20, 20), with_price)
    saved, currency = priced(plan, with_price) or (0.0, "")
    assert saved == pytest.approx((plan.alone_g - plan.powder_g) * 0.005)
    assert currency == "CHF"
    assert priced(plan_mixes(waiting(20, 20), Settings()), Settings()) is None


def test_a_mix_goes_by_the_first_of_its_windows_to_close() -> None:
    # Earliest due date first, Jackson 1955 (from memory). One bowl holds 20 + 20 mL, not 20 + 120.
    soon, later, last = (pour_window("alginate"), pour_window("polysulfide"), None)
    impressions = [
        Impression(name="a", volume_ml=20, window=soon),
        Impression(name="b", volume_ml=120, window=later),
        Impression(name="c", volume_ml=20, window=last),
    ]
    plan = plan_mixes(impressions, Settings(lab=LAB), at_most=2)
    assert [[one.name for one in s.impressions] for s in plan.mixes] == [["a", "c"], ["b"]]


def test_a_split_mix_takes_its_time_before_the_next() -> None:
    # 2 min a mix under vacuum, 1 min to pour, 2 min to clean: 2 mixes of one are done after 7 min.
    lab = Lab(bowl=(Bowl(name="small", most_ml=60),))
    first, second = plan_mixes(waiting(90, 40), Settings(lab=lab)).mixes
    assert (first.mix.mixes, second.mix.mixes) == (2, 1)
    assert (first.start_min, second.start_min) == (0.0, 7.0)


def names(impressions: list[Impression], settings: Settings | None = None) -> list[list[str]]:
    plan = plan_mixes(impressions, settings or Settings())
    return [[one.name for one in shared.impressions] for shared in plan.mixes]


def polyether(opens_min: float, name: str = "p") -> Impression:
    # From 30 min on (textbooks of dental materials, from memory).
    window = pour_window("polyether")
    return Impression(name=name, volume_ml=20, window=window, age_min=30.0 - opens_min)


def alginate(closes_min: float, name: str = "a") -> Impression:
    # Up to 15 min (a course page on casts).
    window = pour_window("alginate")
    return Impression(name=name, volume_ml=20, window=window, age_min=15.0 - closes_min)


@pytest.mark.parametrize(
    ("opens_min", "expected"), [(11.0, [["a"], ["p"]]), (10.0, [["a", "p"]]), (5.0, [["a", "p"]])]
)
def test_windows_share_from_the_minute_in_which_they_meet(
    opens_min: float, expected: list[list[str]]
) -> None:
    # Both ends belong to a window: one up to minute 10 and one from minute 10 on have it in common.
    assert names([alginate(10.0), polyether(opens_min)]) == expected


@pytest.mark.parametrize(("pour_min", "most"), [(1.0, 4), (2.0, 4), (2.1, 3), (3.0, 2), (9.0, 1)])
def test_as_many_as_can_be_poured_in_time(pour_min: float, most: int) -> None:
    # Working time 10 min less 2 min of mixing under vacuum; at least one is always poured.
    assert mixing_min(BY_SLOW.way) == 2.0
    lab = replace(BY_SLOW.lab, time=BenchTime(quadrant_min=pour_min))
    assert most_in_time(replace(BY_SLOW, lab=lab)) == most


def test_one_whose_window_is_not_known_waits() -> None:
    # Two fit the bowl at a time: those with windows are poured first, and together.
    lab = Lab(bowl=(Bowl(name="small", most_ml=60),))
    unknown = [Impression(name=f"u{at}", volume_ml=20) for at in range(2)]
    order = names([*unknown, alginate(12.0, "a1"), alginate(9.0, "a2")], Settings(lab=lab))
    assert order == [["a2", "a1"], ["u0", "u1"]]


def test_impressions_of_one_material_and_of_none_share_where_a_mix_is_saved() -> None:
    # Fewest mixes come before anything else: 2 + 2 in bowls for two, whatever is known of them.
    lab = Lab(bowl=(Bowl(name="small", most_ml=60),))
    unknown = [Impression(name=f"u{at}", volume_ml=20) for at in range(3)]
    assert len(names([*unknown, alginate(12.0)], Settings(lab=lab))) == 2


def test_minutes_of_a_late_turn_are_told() -> None:
    # Mixing 2 min, then one after the other, 1 min each: poured 2 and 3 min from now.
    plan = plan_mixes([alginate(2.5, "a1"), alginate(2.5, "a2")], Settings())
    (shared,) = plan.mixes
    (note,) = shared.notes
    # 12.5 min now, and 3 more: 15.5
    told = {"scans": ("a2",), "ages": ("16 min",), "at_turn": True}
    assert told.items() <= note.values.items()


def test_without_a_window_there_is_no_hurry() -> None:
    one = Impression(name="b1", volume_ml=50.0)
    assert (one.opens_min, one.closes_min) == (-math.inf, math.inf)


@pytest.mark.parametrize(("age_min", "expected"), [(0.0, (30.0, 1440.0)), (45.0, (-15.0, 1395.0))])
def test_a_window_counts_from_the_mouth(age_min: float, expected: tuple[float, float]) -> None:
    # Polyether: 30 min (textbooks of dental materials, from memory) to 24 h (a study of storage).
    one = Impression(name="b1", volume_ml=50.0, window=pour_window("polyether"))
    one = replace(one, age_min=age_min)
    assert (one.opens_min, one.closes_min) == expected


def test_what_is_saved_has_the_powder_s_price() -> None:
    lab = Lab(currency="EUR", stone=(OwnStone(name="type-4", price_per_kg=8.0),))
    settings = Settings(lab=lab, residue_ml=10.0)
    plan = plan_mixes([Impression(name=f"b{k}", volume_ml=20.0) for k in range(3)], settings)
    assert plan.alone_g == sum(mix.powder_g for mix in plan.alone)
    assert plan.powder_g == sum(shared.mix.powder_g for shared in plan.mixes)
    # 8 EUR for 1000 g.
    assert priced(plan, settings) == pytest.approx(
        ((plan.alone_g - plan.powder_g) * 8.0 / 1000.0, "EUR")
    )
