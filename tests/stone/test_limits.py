"""On either side of each limit, and what is said there: worked by hand.

Limits: docs/reference/notes.md, 'Found' and 'Note'; `volest.stone.mix` where no page has them.
"""

import math
from collections.abc import Callable

import pytest

from tests.flat import flat, mix
from volest.errors import MixError
from volest.lab import Bench, Bowl, Lab
from volest.settings import Settings
from volest.stone.mix import (
    MOST_VOLUME_ML,
    Mix,
    base_volume_ml,
    check_volume,
    check_wp,
    first_pour,
    shared_pour,
)
from volest.stone.words import if_short, ratio_in_words, yield_in_words


@pytest.mark.parametrize(
    ("check", "good", "bad"),
    [
        (check_volume, (0.01, 2000.0), (0.0, -1.0, 2000.1, math.nan, math.inf)),
        (check_wp, (18.7, 100.0), (18.5, 100.1, math.nan)),
        (lambda share: mix(50, air_percent=share), (0.0, 50.0), (-0.1, 50.5, math.nan)),
        (lambda share: mix(50, waste_percent=share), (0.0, 500.0), (-0.1, 501.0, math.inf)),
        (lambda ml: mix(50, residue_ml=ml), (0.0, 500.0), (-0.1, 501.0, math.nan)),
        (lambda ml: mix(50, stretch_ml_per_100g=ml), (0.0, 20.0), (-0.1, 20.1)),
    ],
    ids=["volume", "wp", "air", "waste", "residue", "stretch"],
)
def test_amounts_at_their_limits(
    check: Callable[[float], object], good: tuple[float, ...], bad: tuple[float, ...]
) -> None:
    for value in good:
        check(value)
    for value in bad:
        with pytest.raises(MixError):
            check(value)


@pytest.mark.parametrize(
    ("percent", "meant"),
    [(0.0, None), (0.01, 1), (0.15, 15), (1.0, 100), (1.12, 12), (1.99, 99), (2.0, None)],
)
def test_a_waste_under_two_per_cent_is_told(percent: float, meant: int | None) -> None:
    # A spreadsheet has 12 % as 0.12, and 12 % on top as 1.12.
    notes = first_pour(50, Settings(waste_percent=percent)).notes
    assert [note.code for note in notes] == ["waste-tiny"] * (meant is not None)
    assert [note.values["meant_percent"] for note in notes] == pytest.approx([meant] * len(notes))


SMALL, LARGE = Bowl(name="small", most_ml=70), Bowl(name="large", most_ml=160)


@pytest.mark.parametrize(("volume_ml", "fits"), [(50, True), (100, True), (150, False)])
def test_one_bowl_is_enough_where_the_largest_holds_it(volume_ml: float, *, fits: bool) -> None:
    # With 15 % on top: 57.5, 115 and 172.5 mL in bowls of 70 and 160.
    for bowls in ((SMALL, LARGE), (LARGE, SMALL)):
        assert (shared_pour([volume_ml], flat(lab=Lab(bowl=bowls))) is not None) == fits


def test_without_a_bowl_of_that_way_nothing_fits() -> None:
    assert shared_pour([1], flat(lab=Lab(bowl=(SMALL,)), way="hand")) is None
    assert shared_pour([1000], flat(way="hand")) is not None  # no bowls are known


def test_a_bowl_of_the_right_load_is_no_word() -> None:
    def made(least_ml: float) -> Mix:
        bowl = Bowl(name="one", least_ml=least_ml, most_ml=70)
        return first_pour(50, flat(lab=Lab(bowl=(bowl,))))

    assert made(50).notes == ()
    under = made(65)
    assert [note.code for note in under.notes] == ["bowl-underfilled"]
    assert under.notes[0].values["each_ml"] == under.mix_ml
    assert under.notes[0].values["least_ml"] == 65


def test_a_base_of_half_a_square_mm_is_a_prism_too() -> None:
    assert base_volume_ml(0.5, 12.0) == pytest.approx(0.5 * 12.0 / 1000.0)


def test_a_base_almost_to_its_tip_is_a_cone() -> None:
    # Cone: pi r^2 h / 3 (any table of solids), r = 30, h = 29.99 at 45 degrees.
    cone_ml = math.pi * 30.0**2 * 30.0 / 3.0 / 1000.0
    assert base_volume_ml(math.pi * 30.0**2, 29.99, 45.0) == pytest.approx(cone_ml, rel=1e-3)
    with pytest.raises(MixError, match="sides that meet"):
        base_volume_ml(math.pi * 30.0**2, 30.01, 45.0)


def test_volumes_in_a_record_are_to_a_millionth() -> None:
    made = mix(33.3, waste_percent=7, residue_ml=1.7)
    record = made.as_record()
    for name in ("waste_ml", "mix_ml", "powder_g", "water_ml"):
        assert record[name] == round(getattr(made, name), 6)
    assert record["waste_ml"] != made.waste_ml  # a figure with more digits than that


@pytest.mark.parametrize(
    ("scoop_g", "step_ml", "words"),
    [
        # A fifth of 50 g or of a scoop, if that is less: by marks of the cylinder, one at least.
        (50.0, 1.0, "10 mL of water to 50 g of powder (1 full scoop)"),
        (20.0, 1.0, "4 mL of water to 20 g of powder (1 full scoop)"),
        (2.0, 1.0, "1 mL of water to 5 g of powder"),
        (2.0, 0.2, "0.4 mL of water to 2 g of powder (1 full scoop)"),
    ],
)
def test_a_little_more_of_the_same(scoop_g: float, step_ml: float, words: str) -> None:
    bench = Bench(scoop_g=scoop_g, cylinder_step_ml=step_ml)
    more, *_ = if_short(mix(150, wp_ml_per_100g=20, bench=bench))
    assert more == f"Mix more type-4 at once at the same ratio: {words}."


def test_a_scale_of_whole_steps_weighs_one_at_least() -> None:
    bench = Bench(scoop_g=2.0, cylinder_step_ml=0.1, scale_step_g=5.0)
    assert if_short(mix(150, wp_ml_per_100g=20, bench=bench))[0].endswith("5 g of powder.")


def test_one_mix_makes_and_two_make_together() -> None:
    one, two = mix(50), mix(200, mixes=2)
    assert yield_in_words(one)[0].startswith(f"Makes {one.mix_ml:.1f} mL at W/P")
    assert yield_in_words(two)[0].startswith(f"All 2 mixes together make {two.mix_ml:.1f} mL")


def test_waste_is_told_as_part_of_the_mix() -> None:
    made = mix(50, waste_percent=25)
    words = yield_in_words(made)[1]
    assert f"Of it {made.mix_ml - 50.0:.1f} mL are waste" in words
    # What 25 % does not ask for comes from whole grams and marks.
    assert f"+ {made.mix_ml - 62.5:.1f} mL rounding up" in words


def test_a_ratio_that_the_marks_changed_is_told_with_both() -> None:
    # 11 g at 22 mL per 100 g take 2.4 mL; marks of 1 mL change that by a sixth or more.
    made = mix(6, waste_percent=0, wp_ml_per_100g=22, bench=Bench(cylinder_step_ml=1.0))
    assert made.made_wp_ml_per_100g == pytest.approx(100.0 * made.water_ml / made.powder_g)
    said = ratio_in_words(made)
    assert said.startswith(
        f"W/P {100.0 * made.water_ml / made.powder_g:.1f} mL per 100 g (22 asked"
    )
    assert "marks are 1 mL" in said


def test_the_largest_volume_makes_a_mix() -> None:
    assert mix(MOST_VOLUME_ML).mix_ml >= MOST_VOLUME_ML
