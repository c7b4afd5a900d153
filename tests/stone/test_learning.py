"""Learned waste: against closed forms, a reference library, and labs whose truth is known."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tests.bench.simulated_lab import (
    LABS,
    PAGE,
    RISK,
    WAYS,
    Truth,
    as_rare,
    error_percent,
    simulate,
    table,
)
from tests.flat import mix
from tests.marks import slow
from volest.lab import PRIOR_POURS, Lab, Learned, Pour, Way, learn, learn_all
from volest.settings import Settings
from volest.stone.mix import first_pour

DEFAULT = Way(share_percent=15.0, residue_ml=1.0)


def pour(volume_ml: float, excess_ml: float, way: str = "vacuum", stone: str = "type-4") -> Pour:
    mixed_ml = volume_ml * 1.3
    return Pour(
        stone=stone,
        way=way,
        volume_ml=volume_ml,
        mix_ml=mixed_ml,
        left_ml=mixed_ml - volume_ml - excess_ml,
    )


def invented(count: int, seed: int = 1) -> list[Pour]:
    dice = random.Random(seed)  # noqa: S311  # a simulation, by seed
    volumes = [dice.uniform(12, 70) for _ in range(count)]
    return [pour(v, 2.5 + 0.02 * v + dice.gauss(0, 0.2 * math.sqrt(v))) for v in volumes]


def learned(pours: list[Pour]) -> Learned:
    return learn(pours, stone="type-4", way="vacuum", default=DEFAULT, risk_percent=2.0)


def test_without_pours_it_is_the_default() -> None:
    law = learned([])
    assert law.expected_ml(50) == pytest.approx(0.15 * 50 + 1.0)
    assert law.pours == 0


@pytest.mark.parametrize("count", [1, 3, 40])
def test_against_weighted_least_squares_and_students_t(count: int) -> None:
    # The prior is the same as rows of data (Bayesian Data Analysis, regression with a conjugate
    # prior; from memory), so numpy's least squares over data and such rows must agree; the
    # predictive quantile is that of scipy.stats.t.
    pours = invented(count)
    law = learn(pours, stone="type-4", way="vacuum", default=DEFAULT, risk_percent=5.0)
    empty = learn([], stone="type-4", way="vacuum", default=DEFAULT, risk_percent=5.0)
    v = np.array([p.volume_ml / 50 for p in pours])
    x = np.array([p.excess_ml for p in pours])
    root = math.sqrt(PRIOR_POURS)
    rows = np.vstack([np.column_stack([np.ones(count), v]) / np.sqrt(v)[:, None], root * np.eye(2)])
    ends = np.concatenate([x / np.sqrt(v), root * np.array([empty.fixed_ml, empty.share_ml])])
    best, misfit, _, _ = np.linalg.lstsq(rows, ends, rcond=None)
    assert [law.fixed_ml, law.share_ml] == pytest.approx(best)
    freedom = PRIOR_POURS + count
    spread = math.sqrt((PRIOR_POURS * DEFAULT.scatter_ml**2 + misfit[0]) / freedom)
    at = np.array([1.0, 30 / 50])
    scatter = spread * math.sqrt(at[1] + at @ np.linalg.inv(rows.T @ rows) @ at)
    wanted = stats.t.ppf(0.95, freedom, loc=at @ best, scale=scatter)
    assert law.allowance_ml(30) == pytest.approx(wanted)


def test_few_pours_lean_on_the_default_and_many_do_not() -> None:
    # True excess 6 mL, always: the estimate goes from the prior to it, and never away from it.
    laws = [
        learn(
            [pour(50, 6.0)] * count, stone="type-4", way="vacuum", default=DEFAULT, risk_percent=2.0
        )
        for count in (0, 1, 5, 20, 200)
    ]
    gaps = [abs(law.expected_ml(50) - 6.0) for law in laws]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[-1] < 0.1
    doubts = [law.var_fixed + 2 * law.cov + law.var_share for law in laws]
    assert doubts == sorted(doubts, reverse=True)


@given(st.floats(5, 200), st.integers(0, 40), st.floats(0.1, 20), st.floats(0.1, 20))
def test_less_risk_never_takes_less(volume_ml: float, count: int, one: float, two: float) -> None:
    pours = invented(count)
    low, high = sorted((one, two))
    careful, bold = (
        learn(pours, stone="type-4", way="vacuum", default=DEFAULT, risk_percent=risk)
        for risk in (low, high)
    )
    assert careful.allowance_ml(volume_ml) >= bold.allowance_ml(volume_ml) - 1e-6
    assert careful.allowance_ml(volume_ml) >= 0


def test_stones_and_ways_are_learned_apart() -> None:
    pours = [pour(50, 3.0), pour(50, 9.0, way="hand"), pour(50, 5.0, stone="type-3")]
    laws = learn_all(pours, Lab())
    assert [(law.stone, law.way, law.pours) for law in laws] == [
        ("type-3", "vacuum", 1),
        ("type-4", "hand", 1),
        ("type-4", "vacuum", 1),
    ]
    assert laws[1].expected_ml(50) > laws[2].expected_ml(50)


def test_a_short_pour_raises_the_allowance() -> None:
    before = learned(invented(10))
    short = pour(50, 50 * 0.3 + 4)
    assert short.short
    after = learn(
        [*invented(10), short], stone="type-4", way="vacuum", default=DEFAULT, risk_percent=2.0
    )
    assert after.allowance_ml(50) > before.allowance_ml(50)


def test_mixes_use_what_was_learned() -> None:
    law = learned(invented(30))
    made = first_pour(50, Settings(learned=(law,)))
    wanted = mix(50, waste_percent=0, residue_ml=law.allowance_ml(50))
    assert (made.powder_g, made.water_ml) == (wanted.powder_g, wanted.water_ml)
    by_hand = first_pour(50, Settings(learned=(law,), way="hand"))
    assert by_hand.as_record() == first_pour(50, Settings(way="hand")).as_record()


@pytest.mark.parametrize("truth", [*slow(*LABS[:-2]), *LABS[-2:]], ids=lambda truth: truth.name)
def test_the_stated_chance_is_kept_and_less_is_wasted_than_flat(truth: Truth) -> None:
    # Simulated by seed, its law of leftovers known; two of the binomial's standard deviations.
    years = [simulate(truth, seed) for seed in range(1, 11)]
    pours = 200 * len(years)
    most = (RISK + 2 * error_percent(len(years))) / 100.0
    short, waste_ml = (
        {way: sum(getattr(year, name)[way] for year in years) for way in WAYS}
        for name in ("short", "waste_ml")
    )
    assert short["set"] / pours <= most
    assert short["learned"] / pours <= most
    if short["flat"] / pours <= most and truth.by == "gram":
        assert waste_ml["set"] < waste_ml["flat"]
        assert waste_ml["learned"] < waste_ml["flat"]
    _, rare_ml = as_rare(truth, short["learned"] / pours, seeds=10)
    assert waste_ml["learned"] / pours < 0.8 * rare_ml


@pytest.mark.slow
def test_the_page_holds_the_table_of_the_command() -> None:
    assert table() in PAGE.read_text(encoding="utf-8")
