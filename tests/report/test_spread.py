"""CSV: read back by the standard library's reader (RFC 4180)."""

import csv
import io
import math
import os
from dataclasses import replace

from tests.flat import flat
from tests.report.invented import HEEL, SMALL, measured, refused
from volest.notes import Note
from volest.report.record import COLUMNS, csv_pieces
from volest.result import Result
from volest.settings import Settings
from volest.stone.reference import pour_window
from volest.stone.shared import Impression, plan_mixes


def read_back(results: list[Result]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO("".join(csv_pieces(results)), newline="")))


def test_figures_come_back_in_their_units() -> None:
    result = measured("a.stl", 52.3125, (HEEL,))
    (line,) = read_back([result])
    assert tuple(line) == COLUMNS
    assert float(line["volume_ml"]) == 52.312  # half to even, as format() does it
    assert result.mix is not None
    assert float(line["powder_g"]) == result.mix.powder_g
    assert float(line["rim_lowest_mm"]) == -0.3  # a number keeps its sign, without an apostrophe
    assert line["note_codes"] == "needs-boxing"
    assert line["notes"] == f"needs-boxing: {HEEL.text} Do: {HEEL.do}"
    assert line["full_scoops"] == "2"  # 107 g or so in scoops of 50 g
    assert float(line["rest_g"]) == result.mix.powder_g - 100.0


def test_a_shared_mix_stands_in_the_line_of_each_that_is_poured_from_it() -> None:
    results = [measured("a.stl", 30.0), refused("b.stl"), measured("c.stl", 20.0)]
    waiting = [Impression(name=name, volume_ml=ml) for name, ml in (("a.stl", 30), ("c.stl", 20))]
    plan = plan_mixes(waiting, flat())
    text = "".join(csv_pieces(results, plan))
    first, gone, last = csv.DictReader(io.StringIO(text, newline=""))
    # 50 mL with 15 % of waste: 103 g and 20.6 mL.
    for line in (first, last):
        assert line["shared_mix"] == "1"
        assert float(line["shared_mix_powder_g"]) == 103.0
        assert float(line["shared_mix_water_ml"]) == 20.6
    assert gone["shared_mix"] == ""
    assert {line["shared_mix"] for line in read_back(results)} == {""}


def test_a_shared_run_notes_what_holds_for_the_shared_mixes() -> None:
    results = [measured(f"{name}.stl", 30.0, (HEEL, SMALL)) for name in "abc"]
    waiting = [
        Impression(name=r.scan, volume_ml=30.0, window=pour_window("alginate"), age_min=age_min)
        for r, age_min in zip(results, (0.0, 1.0, 40.0), strict=True)
    ]
    plan = plan_mixes(waiting, Settings(), at_most=2)
    lines = csv.DictReader(io.StringIO("".join(csv_pieces(results, plan)), newline=""))
    codes = {line["scan"]: line["note_codes"] for line in lines}
    assert codes == {
        "a.stl": "needs-boxing",
        "b.stl": "needs-boxing",
        "c.stl": "window-passed needs-boxing bowl-underfilled",
    }


def test_a_refused_scan_has_a_reason_and_no_figures() -> None:
    (line,) = read_back([refused("c.stl")])
    assert line["outcome"] == "refused"
    assert line["reason"].startswith("found 0 bytes")
    assert line["volume_ml"] == line["powder_g"] == line["full_scoops"] == line["base_line"] == ""


def test_every_scan_is_one_line() -> None:
    odd = Note("same-scan", others=('two\nlines, "quoted"',), more=0)
    text = "".join(csv_pieces([measured('a\n"b",c.stl', notes=(odd,)), refused("d.stl")]))
    assert text.endswith("\r\n")
    assert len(text.splitlines()) == 3


def test_names_cannot_become_formulas_or_break_the_encoding() -> None:
    lines = read_back([refused("=1+1.stl"), refused(os.fsdecode(b"\xff.stl")), refused("@x")])
    assert [line["scan"] for line in lines] == ["'=1+1.stl", "\\xff.stl", "'@x"]


def test_what_is_not_finite_is_left_empty() -> None:
    (line,) = read_back([replace(measured("a.stl"), slope_ml_per_mm=math.nan)])
    assert line["slope_ml_per_mm"] == ""


def test_there_is_no_negative_zero() -> None:
    (line,) = read_back([replace(measured("a.stl"), slope_ml_per_mm=-0.0001)])
    assert line["slope_ml_per_mm"] == "0.000"


def test_columns_carry_units() -> None:
    words = {
        "scan",
        "outcome",
        "full_scoops",
        "whole_scoops",
        "stone",
        "second_pour_stone",
        "base_line",
        "note_codes",
        "notes",
        "reason",
        "shared_mix",
        "bowl",
        "cavity",
        "second_pour_bowl",
        "shared_mix_bowl",
    }
    words.add("seconds")
    assert all(
        name in words or name.endswith(("_ml", "_g", "_mm", "_mm2", "_per_mm")) for name in COLUMNS
    )
