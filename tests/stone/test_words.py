"""Figures as records and in words, and amounts that cannot be meant: by hand."""

import pytest

from tests.flat import mix
from volest.cli.lab import figure_record
from volest.lab import Bench, Bowl, Lab, Learned, Pour, learn
from volest.settings import Settings
from volest.stone.mix import MOST_VOLUME_ML, NOTHING, Beyond, first_pour, shared_pour
from volest.stone.reference import BENCH_FIGURES, STONE_TYPES, Band, Figure
from volest.stone.words import learned_in_words, powder_cell, water_cell, water_weighed


def test_figures_and_bands_tell_value_unit_and_source() -> None:
    for kind in STONE_TYPES.values():
        for name, figure in kind.figures():
            record = figure_record(figure)
            assert record["unit"] == figure.unit, name
            assert record["source"] == figure.source
            if isinstance(figure, Band):
                assert (record["value"], record["low"], record["high"]) == (
                    None, figure.low, figure.high,
                )  # fmt: skip
                assert str(figure) == f"{figure.low:g} to {figure.high:g}"
                assert figure.low in figure
                assert figure.high in figure
                assert figure.high + 1e-9 not in figure
                assert figure.low - 1e-9 not in figure
            else:
                assert (record["value"], record["low"], record["high"]) == (
                    figure.value, None, None,
                )  # fmt: skip
    assert all(isinstance(figure, Figure | Band) for figure in BENCH_FIGURES.values())


def test_water_on_a_balance() -> None:
    # 20.6 mL at 20 C weigh 20.6 x 0.9982 = 20.56 g (CRC Handbook, density of water at 20 C)
    made = mix(50, bench=Bench(scale_step_g=0.1, water_c=20.0))
    assert water_weighed(made) == f"{made.water_ml * 0.9982:.1f} g"
    two = mix(100, mixes=2, bench=Bench(scale_step_g=0.1, water_c=20.0))
    assert water_weighed(two) == f"{two.water_ml * 0.9982 / 2:.1f} g"  # of one of the two


def test_cells_tell_each_mix() -> None:
    # 100 g of powder and 20 mL are 100 / 2.76 + 20 = 56.2 mL: 55 mL take 97.8 g and 19.6 mL.
    one, two = (mix(v, waste_percent=10.0, mixes=n) for v, n in ((50, 1), (200, 2)))
    assert (water_cell(one), powder_cell(one)) == ("19.6", "98")
    assert (water_cell(two), powder_cell(two)) == ("2 x 39.2", "2 x 196")


def test_more_than_one_pour_can_take_is_not_shared() -> None:
    assert shared_pour([MOST_VOLUME_ML, 1.0], Settings()) is None
    assert shared_pour([MOST_VOLUME_ML - 1.0, 1.0], Settings()) is not None
    # With nodules for a base a cavity takes more: 50 mL and 2 mL are 52 mL.
    more = Beyond(nodules_ml=2.0)
    assert first_pour(50.0, Settings(), more).volume_ml == pytest.approx(52.0)
    most = [MOST_VOLUME_ML - 50.0, 49.0]
    assert shared_pour(most, Settings(), [more, NOTHING]) is None


def test_what_the_pours_teach_in_words() -> None:
    pour = Pour(stone="type-4", way="hand", volume_ml=50.0, mix_ml=60.0, left_ml=5.0)
    for count in (1, 3):
        law = learn(
            [pour] * count, stone="type-4", way="hand", default=Lab().way.hand, risk_percent=2.0
        )
        assert isinstance(law, Learned)
        words = learned_in_words(law, 50.0)
        assert f"{count} pour" + "s" * (count > 1) + ":" in words
        assert f"{law.expected_ml(50.0):.1f} mL" in words


def test_each_of_two_mixes_takes_what_the_pours_teach_of_its_own_volume() -> None:
    pours = [
        Pour(stone="type-4", way="vacuum", volume_ml=v, mix_ml=1.4 * v, left_ml=0.1 * v)
        for v in (20.0, 50.0, 80.0)
    ]
    law = learn(pours, stone="type-4", way="vacuum", default=Lab().way.vacuum, risk_percent=2.0)
    lab = Lab(bowl=(Bowl(name="one", most_ml=110.0),))
    made = first_pour(100.0, Settings(lab=lab, learned=(law,)))
    assert made.mixes == 2
    assert made.needed_ml == pytest.approx(100.0 + 2 * law.allowance_ml(50.0))
