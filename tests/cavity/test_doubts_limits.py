"""Notes and refusals on either side of the limits that the pages state.

Limits: docs/reference/refusals.md, columns 'Found' and 'Meaning', and docs/explanation/geometry.md;
those that stand on no page are marked 'own'. Each is tried a twentieth below and above.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.cavity.stages import level
from tests.cavity.test_doubts import AT_TWO, FOOTPRINT, POSE, ROOMS, TRIM, doubts
from tests.cavity.test_volume import rooms_made, stated
from volest.cavity.air import Air
from volest.cavity.columns import Grid
from volest.cavity.rooms import Rooms
from volest.errors import ScanError

UNDER, OVER = 0.95, 1.05


BY_RIM = replace(level(0.0), how="rim")
AT_THREE = np.array([9.0, 0.0])
GIVEN: dict[str, Callable[[float], dict[str, Any]]] = {
    "axis-unsure": lambda share: {"pose": replace(POSE, runner_up=share)},
    "rim-not-seen": lambda share: {
        "footprint": replace(FOOTPRINT, rising_share=share),
        "base": BY_RIM,
    },
    "holes-filled": lambda mm2: {"rooms": replace(ROOMS, hole_mm2=mm2)},
    "sealed-room": lambda ml: {"rooms": replace(ROOMS, sealed_ml=ml)},
    "air-trap": lambda ml: {"air": Air(trapped_ml=ml, place_mm=AT_THREE)},
    "hollow-left-out": lambda part: {"footprint": replace(FOOTPRINT, left_out_ml=40.0 * part)},
    "ways-differ": lambda part: {"volume": stated(40.0, 40.0 * (1.0 - part))},
}


@pytest.mark.parametrize(
    ("code", "limit"),
    [
        ("axis-unsure", 0.5),  # 'half as much or more'
        ("rim-not-seen", 0.1),  # own: of the scan's edge
        ("holes-filled", 0.5),  # own: mm2, three cells
        ("sealed-room", 0.02),  # own: mL
        ("air-trap", 0.02),  # 'more than 0.02 mL of it is told'
        ("hollow-left-out", 1.0 / 6.0),  # 'a sixth of the cavity or more'
        ("ways-differ", 0.005),  # 'more than half a per cent'
    ],
)
def test_told_above_its_limit_and_not_below(code: str, limit: float) -> None:
    assert doubts(**GIVEN[code](UNDER * limit)) == {}
    assert set(doubts(**GIVEN[code](OVER * limit))) == {code}


def test_a_tenth_between_the_two_ways_is_not_refused_yet() -> None:
    # 'unsound': 'that differ by more than a tenth'. 40 - 36 is a tenth of 40 to the bit.
    assert set(doubts(volume=stated(40.0, 36.0))) == {"ways-differ"}
    with pytest.raises(ScanError) as caught:
        doubts(volume=stated(40.0, 35.9))
    assert caught.value.code == "unsound"


@pytest.mark.parametrize("share", [UNDER, OVER])
def test_a_drop_under_the_base_line_is_no_cavity(share: float) -> None:
    # own: 0.05 mL, a drop
    volume = stated(share * 0.05, share * 0.05)
    if share > 1.0:
        assert doubts(volume=volume) == {}
        return
    with pytest.raises(ScanError, match=r"0\.05 mL of cavity under it") as caught:
        doubts(volume=volume)
    assert caught.value.code == "base-misses"


@pytest.mark.parametrize("share", [UNDER, OVER])
def test_a_base_line_high_over_the_rim_is_refused(share: float) -> None:
    # own: 10 mm; no pour stands so high without a box round it (common practice, no source)
    trim = replace(TRIM, rim_highest_mm=-10.0 * share)
    if share < 1.0:
        assert doubts(trim=trim) == {}
        return
    with pytest.raises(ScanError, match="10 mm over the highest point"):
        doubts(trim=trim)


def test_what_is_told_of_a_line_over_the_rim_is_its_height() -> None:
    with pytest.raises(ScanError, match="25 mm over the highest point of the rim"):
        doubts(trim=replace(TRIM, rim_highest_mm=-25.0))


def apart(small_ml: float, large_ml: float) -> Rooms:
    """Fill two columns of 2 mm with a dry one between them, to stated volumes."""
    depths = np.array([large_ml, small_ml]) * 1000.0 / 2.0**2
    rooms = rooms_made(-depths, np.full(2, np.inf), [0, 2])
    return replace(rooms, grid=Grid(pitch_mm=2.0, low_mm=(0.0, 0.0), shape=(1, 3)))


@pytest.mark.parametrize("share", [UNDER, OVER])
def test_cavities_apart_are_told_from_a_twentieth_on(share: float) -> None:
    # own: a piece counts from 5 % of the whole
    small = 40.0 * 0.05 * share
    notes = doubts(rooms=apart(small, 40.0 - small))
    assert ("several-cavities" in notes) == (share > 1.0)


def test_cavities_apart_are_told_with_their_volumes_largest_first() -> None:
    (pieces_ml,) = doubts(rooms=apart(12.5, 27.5))["several-cavities"].values.values()
    assert pieces_ml == pytest.approx((27.5, 12.5))


def test_pieces_add_up_to_the_whole() -> None:
    assert apart(12.5, 27.5).pieces_ml == pytest.approx([27.5, 12.5])


GAPPED = replace(TRIM, gap_length_mm=20.0, rim_lowest_mm=-4.0)


@pytest.mark.parametrize(
    ("heights_mm", "deep", "rest", "rest_mm"),
    [
        ({2: -4.0, 3: 0.0}, (2,), (), ()),
        ({2: -4.0, 3: -0.4}, (2,), (), ()),  # 0.4 mm is level enough
        ({2: -4.0, 3: -1.9, 4: -1.2}, (2,), (3, 4), (1.2, 1.9)),
        ({2: -4.0, 3: -1.9, 4: 0.0}, (2,), (3,), (1.9, 1.9)),
        ({2: -4.0, 3: -2.1, 4: 0.0}, (2, 3), (), ()),
        ({2: -4.0, 3: -2.0, 4: 0.0}, (2, 3), (), ()),  # half is deep
        ({2: -4.0, 3: -3.0}, (2, 3), (), ()),
    ],
)
def test_gaps_are_told_where_they_are_deep(
    heights_mm: dict[int, float],
    deep: tuple[int, ...],
    rest: tuple[int, ...],
    rest_mm: tuple[float, ...],
) -> None:
    stretches = tuple(replace(AT_TWO, hour=h, least_mm=mm) for h, mm in heights_mm.items())
    values = doubts(trim=replace(GAPPED, stretches=stretches))["needs-boxing"].values
    assert values["low_mm"] == 4.0
    assert (values["hours"], values["rest_hours"], values["rest_mm"]) == (deep, rest, rest_mm)
    assert values["all_round"] is (len(deep) == len(heights_mm))


def test_shares_are_told_in_per_cent() -> None:
    unsure = doubts(pose=replace(POSE, runner_up=0.87))["axis-unsure"]
    ended = doubts(**GIVEN["rim-not-seen"](0.34))["rim-not-seen"]
    assert unsure.values["share_percent"] == pytest.approx(87.0)
    assert ended.values["share_percent"] == pytest.approx(34.0)
