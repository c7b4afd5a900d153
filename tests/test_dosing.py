"""Pours of what was measured: whose stone, what is refused, and that a measurement stays."""

import math
from dataclasses import replace
from typing import Any

import pytest

from tests.flat import flat, mix
from tests.report.invented import HEEL, measured, refused
from volest.dosing import cast_mm, check_settings, dosed, poured
from volest.errors import MixError
from volest.lab import Bowl, FirstPour, Lab, SecondPour
from volest.result import MEASURED, NOTED, REFUSED
from volest.settings import Settings

SMALL = Settings(lab=Lab(bowl=(Bowl(name="small", most_ml=10.0),)))
FLUSH = FirstPour(heap_mm=0.0)
BARE = replace(measured("a.stl"), mix=None)


def test_a_measurement_gets_its_pours_and_nothing_else_changes() -> None:
    done = dosed(BARE, Settings(lab=Lab().pouring(height_mm=12.0)))
    assert done.mix is not None
    assert done.mix.powder_g > mix(52.31).powder_g  # nodules for the base on top
    assert done.second_pour is not None
    # footprint times height, in mL: the prism's formula, less heap and nodules
    taken_ml = 2640.5 * 2.0 / 1000.0 + Lab().second_pour.nodules_ml
    assert done.second_pour.volume_ml == pytest.approx(2640.5 * 12.0 / 1000.0 - taken_ml)
    assert replace(done, mix=None, second_pour=None) == BARE
    assert done.outcome == MEASURED
    assert dosed(replace(BARE, notes=(HEEL,)), Settings()).outcome == NOTED


def test_what_no_bowl_takes_is_refused_under_its_number() -> None:
    second = replace(BARE, cavity=2, cavities=2)
    done = dosed(second, SMALL)
    assert (done.name, done.outcome, done.code) == ("a.stl #2", REFUSED, "mix-bowl")
    assert done.volume_ml is None
    with pytest.raises(MixError, match="largest bowl"):
        poured(second, SMALL)


def test_what_was_not_measured_gets_no_pour() -> None:
    assert dosed(refused("a.stl"), SMALL) == refused("a.stl")


def test_a_reserve_is_mixed_too() -> None:
    plain, more = (dosed(replace(BARE, reserve_ml=ml), Settings()).mix for ml in (0.0, 5.0))
    assert plain is not None
    assert more is not None
    assert dict(plain.terms_ml)["reserve"] < 5.0 < dict(more.terms_ml)["reserve"]


def test_settings_are_tried_before_any_scan_is_read() -> None:
    with pytest.raises(MixError, match="largest bowl"):
        check_settings(replace(SMALL, lab=Lab(bowl=(Bowl(name="tiny", most_ml=1.0),))))


AREAS = ((0.0, 2600.0, 3000.0), (2.0, 3000.0, 3500.0), (3.0, 3200.0, 3750.0))


@pytest.mark.parametrize(
    ("fields", "area_mm2"),
    [
        ({}, 3625.0),  # half-way between the rows of 2 and 3 mm
        ({"tongue": False}, 3100.0),
        ({"land_mm": 0.0}, 3000.0),
        ({"land_mm": 0.0, "tongue": False}, 2600.0),
    ],
)
def test_a_base_has_land_and_tongue_space(fields: dict[str, Any], area_mm2: float) -> None:
    lab = Lab(second_pour=SecondPour(height_mm=12.0, nodules=0, **fields), first_pour=FLUSH)
    done = dosed(replace(BARE, base_areas=AREAS, depth_mm=22.0), Settings(lab=lab))
    assert done.second_pour is not None
    assert done.second_pour.volume_ml == pytest.approx(area_mm2 * 12.0 / 1000.0)
    assert cast_mm(done, Settings(lab=lab)) == 34.0


def test_an_opposing_cast_gets_no_base_and_no_nodules() -> None:
    lab = Lab(second_pour=SecondPour(height_mm=12.0, not_for=("*-opp*",)))
    upper, opposing = (
        dosed(replace(BARE, scan=name), Settings(lab=lab)) for name in ("u.stl", "u-opp.stl")
    )
    assert upper.mix is not None
    assert opposing.mix is not None
    assert (upper.second_pour is None, opposing.second_pour is None) == (False, True)
    assert dict(upper.mix.terms_ml)["nodules"] > 0.0 == dict(opposing.mix.terms_ml)["nodules"]


@pytest.mark.parametrize("learned", [False, True])
def test_a_wide_interval_is_covered_to_its_stated_chance(learned: bool) -> None:
    # The normal quantile of 95 % is 1.645 (any table); the interval's ends are two deviations off.
    settings = flat() if learned else Settings()
    wide, narrow = (
        dosed(replace(BARE, volume_low_ml=52.31 - ml, volume_high_ml=52.31 + ml), settings).mix
        for ml in (5.0, 0.0)
    )
    assert wide is not None
    assert narrow is not None
    reserve, others = dict(wide.terms_ml)["reserve"], dict(narrow.terms_ml)["reserve"]
    factor = 2.0 if learned else 1.645
    assert reserve == pytest.approx(math.hypot(others, factor * 2.5), rel=1e-3)
    assert wide.powder_g > narrow.powder_g
