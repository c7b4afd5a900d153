"""Water stretched for working time: bounded by the range, told in words."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volest.errors import MixError
from volest.stone.mix import STRETCH_IN_WORDS, marks_note, mix, stretched
from volest.stone.stones import STONE_TYPES, stone_type


def test_three_scoops_with_half_a_ml_to_a_ml_more() -> None:
    # Common practice, no source: 150 g with 30.5 or 31 mL instead of 30 mL for a longer pour.
    for more_ml in (0.5, 1.0):
        made = mix(75, waste_percent=10, by="scoop", stretch_ml_per_100g=more_ml / 1.5)
        assert (made.powder_g, made.water_ml, made.notes) == (150.0, 30.0 + more_ml, ())


@given(st.sampled_from(sorted(STONE_TYPES)), st.floats(0.0, 20.0))
def test_never_beyond_the_range(name: str, more_ml: float) -> None:
    kind = stone_type(name)
    wp, notes = stretched(kind, kind.wp.value, more_ml)
    assert kind.wp.value <= wp <= kind.wp_range.high
    held = kind.wp.value + more_ml > kind.wp_range.high
    assert [note.code for note in notes] == (["stretch-held"] if held else [])


def test_held_at_the_end_of_the_range() -> None:
    # Study cards "Gypsum products": die stone 19 to 24 mL per 100 g.
    made = mix(50, stretch_ml_per_100g=9)
    assert made.wp_ml_per_100g == 24.0
    assert made.notes[0].code == "stretch-held"
    assert made.notes[0].values["wp_ml_per_100g"] == 24.0


def test_a_ratio_beyond_the_range_is_not_stretched_further() -> None:
    made = mix(50, wp_ml_per_100g=26, stretch_ml_per_100g=1)
    assert made.wp_ml_per_100g == 26.0
    assert {note.code for note in made.notes} == {"stretch-held", "wp-outside"}


def test_the_effect_is_told_without_figures() -> None:
    # Textbooks of dental materials, from memory: later set, more flow, weaker and softer.
    assert all(word in STRETCH_IN_WORDS for word in ("longer", "later", "weaker", "softer"))
    assert not re.search(r"\d", STRETCH_IN_WORDS)


@pytest.mark.parametrize("more_ml", [-0.1, 21, float("nan")])
def test_a_stretch_that_cannot_be_meant(more_ml: float) -> None:
    with pytest.raises(MixError, match="of stretch"):
        mix(50, stretch_ml_per_100g=more_ml)


@pytest.mark.parametrize(
    ("rounded", "flagged"), [(18.94, True), (18.96, False), (24.04, False), (24.06, True)]
)
def test_the_ratio_as_mixed_is_judged_to_a_tenth(rounded: float, *, flagged: bool) -> None:
    # Study cards "Gypsum products": 19 to 24 for die stone; ratios are spoken to a tenth of a mL
    notes = marks_note(stone_type("4"), 20.0, rounded)
    assert [note.code for note in notes] == ["wp-by-marks"] * flagged
    assert marks_note(stone_type("4"), 25.0, rounded) == ()  # out of it on purpose: told elsewhere


@pytest.mark.parametrize(
    ("wp_ml_per_100g", "word"), [(18.9, "stiff"), (19.0, ""), (24.0, ""), (24.1, "weaker")]
)
def test_too_thick_is_stiff_and_too_thin_is_weak(wp_ml_per_100g: float, word: str) -> None:
    # Textbooks of dental materials, from memory
    _, notes = stretched(stone_type("4"), wp_ml_per_100g, 0.0)
    assert [word in note.text for note in notes] == [True] * bool(word)
