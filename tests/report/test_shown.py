"""Names from outside: nothing in them may act on a terminal or a spreadsheet."""

import os

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from volest.errors import visible
from volest.report.table import cell, folded, pieces, short_names, shortened

# ECMA-48 section 5.3: control sequences begin with ESC (C0) or CSI (C1, U+009B).
# Unicode Standard Annex 9: U+202E turns the reading direction.
ODD = ["\x1b[2J", "\x9b31m", "a\nb", "\u202egpj.stl", "\u2028", "\x07", "\ufeff"]


@pytest.mark.parametrize("text", ODD)
def test_what_a_terminal_obeys_is_written_out(text: str) -> None:
    assert visible(text).isprintable()
    assert "\\" in visible(text)


def test_bytes_that_are_no_utf8_show_as_they_are() -> None:
    # PEP 383: such a byte is carried as a lone surrogate
    assert visible(os.fsdecode(b"caf\xe9.stl")) == "caf\\xe9.stl"


@given(st.text())
def test_any_text_can_be_printed_in_utf8(text: str) -> None:
    visible(text).encode("utf-8")
    assert not any(char in visible(text) for char in "\x1b\n\r\x9b")


def test_plain_names_stay_as_they_are() -> None:
    assert visible("Größe [bold] 12 – 上.stl") == "Größe [bold] 12 – 上.stl"


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_no_cell_is_taken_for_a_formula(start: str) -> None:
    # CWE-1236, Improper Neutralization of Formula Elements in a CSV File (from memory)
    assert cell(f"{start}cmd()") == f"'{start}cmd()"


def test_common_folder_is_told_once() -> None:
    assert short_names(["a/b/1.stl", "a/b/2.stl"]) == ("a/b", ["1.stl", "2.stl"])
    assert short_names(["1.stl", "sub/2.stl"]) == ("", ["1.stl", "sub/2.stl"])
    assert short_names(["/x/1.stl", "2.stl"]) == ("", ["/x/1.stl", "2.stl"])
    assert short_names(["../w/1.stl"]) == ("../w", ["1.stl"])
    assert short_names([]) == ("", [])


@given(st.text(min_size=1).map(visible), st.integers(min_value=5, max_value=40))
def test_shortened_name_fits(name: str, cells: int) -> None:
    assert cell_len(shortened(name, cells)) <= cells


@given(st.text(alphabet="ab-_./ 上", min_size=1), st.integers(min_value=2, max_value=40))
def test_folding_loses_nothing_but_spaces(name: str, cells: int) -> None:
    lines = folded(name, cells).split("\n")
    assert all(cell_len(line) <= cells for line in lines)
    assert "".join(lines).replace(" ", "") == name.replace(" ", "")


def test_names_fold_at_their_joints() -> None:
    assert folded("case-1042-upper.stl", 12).split("\n") == ["case-1042-", "upper.stl"]
    assert pieces("none") == ["none"]
