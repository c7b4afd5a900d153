"""Sharing at its limits: windows that just meet, the time a pour takes, unknown windows."""

from dataclasses import replace

import pytest

from volest.lab import Bowl, Lab, OwnStone
from volest.settings import Settings
from volest.stone import shared as module
from volest.stone.reference import POURING, mixing_min, pour_window
from volest.stone.shared import Impression, most_in_time, plan_mixes

SLOW = OwnStone(name="slow", like="type-4", working_low_min=10.0)
BY_SLOW = Settings(stone="slow", lab=Lab(stone=(SLOW,)))


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


@pytest.mark.parametrize(("pour_min", "most"), [(0.5, 16), (1.0, 8), (2.0, 4), (3.0, 2), (9.0, 1)])
def test_as_many_as_can_be_poured_in_time(
    pour_min: float, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Working time 10 min less 2 min of mixing under vacuum; at least one is always poured.
    assert mixing_min(BY_SLOW.way) == 2.0
    monkeypatch.setattr(module, "POURING", replace(POURING, value=pour_min))
    assert most_in_time(BY_SLOW) == most


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
    assert note.values == {"scans": ("a2",), "ages": ("16 min",), "at_turn": True}
