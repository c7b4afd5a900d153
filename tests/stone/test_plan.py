"""When an impression may be poured, and what a plan saves: counted by hand."""

import math
from dataclasses import replace

import pytest

from volest.lab import Lab, OwnStone
from volest.settings import Settings
from volest.stone.reference import pour_window
from volest.stone.shared import Impression, plan_mixes, priced


def test_without_a_window_there_is_no_hurry() -> None:
    one = Impression(name="b1", volume_ml=50.0)
    assert (one.opens_min, one.closes_min) == (0.0, math.inf)


@pytest.mark.parametrize(("age_min", "expected"), [(0.0, (30.0, 1440.0)), (45.0, (-15.0, 1395.0))])
def test_a_window_counts_from_the_mouth(age_min: float, expected: tuple[float, float]) -> None:
    # Polyether: 30 min (textbooks of dental materials, from memory) to 24 h (a study of storage).
    one = Impression(name="b1", volume_ml=50.0, window=pour_window("polyether"))
    assert one.age_min == 0.0
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
