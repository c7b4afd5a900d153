"""The trim guide in words: what is told must bear out what is to be done."""

from dataclasses import replace

import numpy as np
import pytest

from tests.docs.fenced import ROOT
from tests.report.invented import TRIM, measured
from volest.cavity.doubts import Uncertainty
from volest.cavity.imprints import Imprint, Imprints
from volest.cavity.trim import Trim, Work
from volest.dosing import dosed
from volest.lab import Cast, FirstPour, Jaws, Lab
from volest.pipeline import examine, guided
from volest.report.guide import (
    advice,
    guide_lines,
    guide_text,
    several_words,
    stop_words,
)
from volest.report.record import guide_record
from volest.report.table import work_label
from volest.settings import Settings

BOX = Work(
    what="box",
    hours=(4, 5, 6),
    is_inner=True,
    length_mm=27.1,
    most_mm=16.66,
    to_pits_mm=0.4,
    heap_mm=2.0,
)


def test_each_stretch_is_told_once_and_the_rest_in_one_line() -> None:
    first, cut, box, rest = advice(replace(TRIM, works=(*TRIM.works, BOX)))
    assert first.startswith("Untrimmed, a flat base would stand 1.1 mm above the base line. Keep")
    assert cut == (
        "Cut 21 mm of rim at 11 to 12 o'clock, by up to 1.2 mm; deep floor begins 4.5 mm in."
    )
    assert box == (
        "Box in 27 mm of rim at 4 to 6 o'clock, tongue side, up to 18.7 mm high: to 2.0 mm over "
        "the base line."
    )
    assert rest == "Leave the rest: it lies up to 0.8 mm over and 0.3 mm under the base line."


def test_wax_stands_up_to_where_the_stone_ends() -> None:
    assert work_label(BOX) == ("box in 27 mm", "18.7 mm high")
    (box, _) = advice(replace(TRIM, works=(replace(BOX, heap_mm=0.0),)))
    assert box.endswith("up to 16.7 mm high: to the base line.")


def test_without_cutting_there_is_no_word_of_blades() -> None:
    told = advice(replace(TRIM, works=(BOX,)))
    assert len(told) == 2
    assert "lade" not in " ".join(told)


def told_of(trim: Trim) -> list[str]:
    margin = Uncertainty(parts_ml=(("base line", 1.05), ("border", 0.03), ("holes", 0.002)))
    told = guide_text(replace(measured("a.stl"), mix=None, trim=trim), trim, margin, 0.4, "Hours.")
    return [" ".join(line.split()) for line in told.splitlines()]


def test_hours_without_rim_and_parts_of_nothing_are_left_out() -> None:
    few = replace(TRIM.stretches[0], hour=6, length_mm=0.4)
    told = told_of(replace(TRIM, stretches=(*TRIM.stretches, few)))
    assert "12 21 0.7 1.2 -0.3 4.5" in told
    assert not [line for line in told if line.startswith("6 ")]
    assert "2.1 mL where the base line lies" in told
    assert "0.1 mL where the border runs across a gap in the rim" in told
    assert not [line for line in told if "holes" in line]


def test_no_height_is_a_minus_zero() -> None:
    level = replace(TRIM.stretches[0], mean_mm=-0.04, least_mm=-0.05)
    assert "12 21 0.0 1.2 -0.1 4.5" in told_of(replace(TRIM, stretches=(level,)))


def test_a_rim_within_half_a_mm_needs_no_hours() -> None:
    told = told_of(replace(TRIM, works=(), left_over_mm=0.3, left_under_mm=0.5))
    assert "12 21 0.7 1.2 -0.3 4.5" not in told
    assert "Hours." in told


def test_a_level_rim_is_left() -> None:
    level = replace(TRIM, works=(), left_over_mm=0.04, left_under_mm=0.0)
    assert advice(level) == ["Nothing to cut or to box: it lies at the base line."]


@pytest.mark.parametrize(
    ("heap_mm", "over_rim_mm", "told"),
    [
        (2.0, 0.0, "The stone ends 2.0 mm over the rim."),
        (0.0, 0.0, "The stone ends level with the rim."),
        (2.0, 1.5, "The stone ends 2.0 mm over the rim."),  # 0.5 of heap on a line that lies higher
        (2.0, 3.0, "The stone ends 3.0 mm over the rim."),
        (2.0, -3.0, "The stone ends 2.0 mm over the rim, which is trimmed by 3.0 mm first."),
    ],
)
def test_where_the_stone_ends(heap_mm: float, over_rim_mm: float, told: str) -> None:
    settings = Settings(lab=Lab(first_pour=FirstPour(heap_mm=heap_mm)))
    trim = replace(TRIM, over_rim_mm=over_rim_mm)
    result = dosed(replace(measured("a.stl"), mix=None, trim=trim), settings)
    assert stop_words(result) == told


def test_where_the_rim_is_low_the_stone_is_told_to_stand_higher() -> None:
    result = dosed(replace(measured("a.stl"), mix=None), Settings())
    low = replace(result, trim=replace(TRIM, left_under_mm=0.9))
    assert stop_words(low) == "The stone ends 2.0 mm over the rim, 2.9 mm where that is lowest."


def row_of(*named: tuple[int | None, int]) -> Imprints:
    """Make up an arch of imprints, each by its number and side, which lie at 12."""
    each = tuple(
        Imprint(
            hour=12,
            from_mm=8.0 * at,
            to_mm=8.0 * at + 8.0,
            place_mm=(0.0, 0.0),
            deep_mm=20.0,
            width_mm=2.4,
            is_clear=number is not None,
            number=number,
            side=side,
        )
        for at, (number, side) in enumerate(named)
    )
    empty = np.zeros((0, 0))
    return Imprints(
        each=each,
        is_arch=True,
        end_hours=(8, 4),
        curve_mm=empty,
        piece=empty.astype(int),
    )


@pytest.mark.parametrize(
    ("named", "told"),
    [
        ([(2, -1), (1, -1), (1, 1), (2, 1)], "the four front ones"),
        ([(1, -1), (1, 1)], "the two front ones"),
        ([(2, -1), (1, -1)], "second, first from the front, towards 8 o'clock"),
        ([(None, 0), (None, 0)], "two at 12 o'clock"),
        ([(None, 0)], "one at 12 o'clock"),
        ([(None, 0)] * 12, "12 at 12 o'clock"),
    ],
)
def test_imprints_side_by_side_are_told_shortly(
    named: list[tuple[int | None, int]], told: str
) -> None:
    row = row_of(*named)
    assert several_words(row, range(1, len(row.each) + 1)) == told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kept_mm", "jaw", "told"),
    [
        (12.0, Jaws(upper=("b0417*",)), True),
        (12.0, Jaws(lower=("b0417*",)), False),
        (12.0, Jaws(), False),  # nobody says that it is an upper
        (None, Jaws(upper=("b0417*",)), False),
    ],
)
def test_the_palate_is_told_of_an_upper_alone_and_where_asked(
    kept_mm: float | None, jaw: Jaws, *, told: bool
) -> None:
    settings = Settings(lab=Lab(cast=Cast(horseshoe_mm=kept_mm), jaw=jaw))
    scan = ROOT / "sample_meshes" / "b0417-upper-full-arch.stl"
    _, guide = guided(*examine(scan, settings), settings)
    assert (guide.palate is not None) == told
    words = " ".join(guide_lines(guide))
    assert ("Poured as a horseshoe, 12 mm inside" in words) == told
    assert ("palate" in guide_record(guide)["guide"]) == told


@pytest.mark.slow
def test_what_looks_prepared_is_proposed_until_a_person_has_marked_it() -> None:
    scan = ROOT / "sample_meshes" / "b0458-lower-right-quadrant-prepared.ply"
    sized, found = examine(scan, Settings())
    _, guide = guided(sized, found, Settings())
    assert guide.imprints is not None
    ((_, place),) = guide.imprints.prepared
    (told,) = (line for line in guide_lines(guide) if "as if prepared: one at 12 o'clock" in line)
    assert told.endswith("preparations=[[9.5, 27.8, 5.2]]")
    _, guide = guided(sized, found, Settings(), [place])
    assert guide.preparations is not None
    assert len(guide.preparations.each) == 1  # the place lies in its imprint
    assert "as if prepared" not in " ".join(guide_lines(guide))
