"""The trim guide in words: what is told must bear out what is to be done."""

from hypothesis import given
from hypothesis import strategies as st

from volest.report.guide import decided_words, deed


@given(st.floats(min_value=-30.0, max_value=30.0, allow_nan=False))
def test_the_figure_says_on_which_side_of_half_a_mm_it_lies(height_mm: float) -> None:
    told = float(decided_words(height_mm))
    assert (told > 0.5) == (height_mm > 0.5)
    assert (told < -0.5) == (height_mm < -0.5)
    assert abs(told - height_mm) <= 0.0500001


@given(st.floats(min_value=-30.0, max_value=30.0, allow_nan=False))
def test_the_figure_bears_out_the_deed(least_mm: float) -> None:
    # The reader's own rule, as the guide tells it: within 0.5 mm the rim is left as it is.
    left = float(decided_words(least_mm)) >= -0.5
    assert (deed(0.0, least_mm) == "leave") == left
