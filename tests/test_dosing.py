"""Pours of what was measured: whose stone, what is refused, and that a measurement stays."""

from dataclasses import replace

import pytest

from tests.flat import mix
from tests.report.invented import HEEL, measured, refused
from volest.dosing import check_settings, dosed, poured
from volest.errors import MixError
from volest.lab import Bowl, Lab
from volest.result import MEASURED, NOTED, REFUSED
from volest.settings import Settings

SMALL = Settings(lab=Lab(bowl=(Bowl(name="small", most_ml=10.0),)))
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
