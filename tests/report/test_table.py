"""The table: every figure whole at every width, and nothing told by colour alone."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from tests.flat import mix
from tests.report.invented import DIFFER, HEEL, SMALL, measured, refused
from volest.lab import Lab, OwnStone, SecondPour
from volest.report.table import (
    CAUTIONS,
    SHARED_APART,
    made_with,
    shared_lines,
    table_text,
    tally,
)
from volest.result import Result
from volest.settings import Settings, parse_base
from volest.stone.mix import second_pour
from volest.stone.reference import pour_window
from volest.stone.shared import Impression, plan_mixes, this_minute
from volest.stone.words import scoops_cell

LONG = "case-2026-11-24-second-tray-after-lunch-upper-full-arch-with-six-prepared-teeth.stl"
MANY = [
    measured("day/case-1042-upper.stl"),
    measured("day/case-1043-lower.ply", 113.2, (HEEL, DIFFER)),
    measured("day/q2.stl", 9.84),
    refused("day/case-1050.stl"),
    measured(f"day/{LONG}", 61.0, (HEEL,)),
]
WIDTHS = [20, 40, 60, 72, 80, 100, 120, 200, None]
CODES = re.compile(r"\x1b\[[0-9;]*m")


def figures(result: Result) -> list[str]:
    assert result.mix is not None
    assert result.volume_ml is not None
    return [
        f"{result.volume_ml:.1f}",
        f"{result.mix.water_ml:.1f}",
        f"{result.mix.powder_g:.0f}",
        *scoops_cell(result.mix).split(),
    ]


@pytest.mark.parametrize("width", WIDTHS)
def test_no_figure_is_ever_cut(width: int | None) -> None:
    words = table_text(MANY, Settings(), width=width).split()
    for result in MANY:
        if result.mix is not None:
            assert all(figure in words for figure in figures(result))


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_longer_than_the_terminal(width: int) -> None:
    lines = table_text(MANY, Settings(), width=width).splitlines()
    assert max(cell_len(line) for line in lines) <= width


def test_a_pipe_gets_one_line_a_scan_with_the_whole_name() -> None:
    lines = table_text(MANY, Settings()).splitlines()
    (line,) = [line for line in lines if line.startswith(LONG)]
    assert line.split()[1:] == ["61.0", "(59.4-62.6)", *figures(MANY[4])[1:], "rim", "needs-boxing"]


def test_the_interval_is_rounded_outwards_only() -> None:
    # 1.1 * 10 is 11.000000000000002 in IEEE 754 doubles and must not become 1.2
    result = measured("a.stl", 1.1)
    text = table_text([result], Settings())
    assert "1.1 (1.0-1.2)" in text  # 1.0725 and 1.1275
    same = replace(result, volume_low_ml=1.1, volume_high_ml=1.1)
    assert "1.1 (1.1-1.1)" in table_text([same], Settings())


def test_points_stand_under_each_other() -> None:
    lines = table_text(MANY, Settings()).splitlines()
    places = {line.index(" (") for line in lines if re.search(r"\d \(\d", line)}
    assert len(places) == 1


def test_notes_and_refusals_are_told_in_full() -> None:
    text = " ".join(table_text(MANY, Settings(), width=80).split())
    for note in (HEEL, DIFFER):
        assert f"{note.code} {note.text} Do: {note.do}" in text
    assert "case-1050.stl found 0 bytes; needed a mesh; export the scan again" in text
    assert LONG in text.replace(" ", "")
    assert "5 scans: 2 measured, 2 measured with notes, 1 refused" in text
    assert text.endswith(" ".join(CAUTIONS))


def test_cautions_take_two_lines_at_80_columns() -> None:
    assert tuple(table_text(MANY, Settings(), width=80).splitlines()[-2:]) == CAUTIONS


def test_brief_leaves_out_cautions_but_no_doubt() -> None:
    text = table_text(MANY, Settings(), brief=True)
    assert "stone type-4" not in text
    assert CAUTIONS[0] not in text
    assert HEEL.do in " ".join(text.split())
    assert "export the scan again" in text


def test_a_base_is_told_by_its_height_or_its_former() -> None:
    told = {
        "base of 12 mm, type-3": SecondPour(height_mm=12.0),
        "base former 80 mL, type-3": SecondPour(former_ml=80.0),
    }
    for words, base in told.items():
        assert f"; {words}; " in made_with(Settings(lab=Lab(second_pour=base)))
    assert "base of" not in made_with(Settings())


def test_no_notes_no_heading() -> None:
    text = table_text([measured("a.stl")], Settings())
    assert "Notes," not in text
    assert "Refused" not in text
    assert "none" in text


@pytest.mark.parametrize("width", WIDTHS)
def test_colour_says_nothing_that_words_do_not(width: int | None) -> None:
    plain = table_text(MANY, Settings(), width=width)
    styled = table_text(MANY, Settings(), width=width, styled=True)
    assert "\x1b" not in plain
    assert "\x1b" in styled
    bare = [CODES.sub("", line).rstrip() for line in styled.splitlines()]
    assert bare == plain.splitlines()
    assert "REFUSED" in plain


def test_markup_and_controls_in_names_do_nothing() -> None:
    text = table_text([measured("[red]x :smile:\x1b[31m.stl")], Settings())
    assert "[red]x :smile:\\x1b[31m.stl" in text


def test_a_receiver_without_unicode_gets_escapes() -> None:
    text = table_text([measured("Größe.stl", notes=(HEEL,))], Settings(), encoding="ascii")
    assert text.isascii()
    assert "Gr\\xf6\\xdfe.stl" in text


# Halves of a tenth round either way in binary; here only cutting and folding is asked for.
OFF_THE_HALF = st.integers(1, 100_000).map(lambda n: n / 100.0 + 0.003)


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.text(max_size=60), OFF_THE_HALF, st.booleans()), max_size=6),
    st.integers(min_value=20, max_value=160) | st.none(),
)
@example([("", 20.003, False), ("0", 20.003, True)], 56)  # the shortest name is no measure
def test_any_name_and_any_width(scans: list[tuple[str, float, bool]], width: int | None) -> None:
    results = [measured(f"x/{name}", ml, (DIFFER,) if odd else ()) for name, ml, odd in scans]
    words = table_text(results, Settings(), width=width).split()
    assert all(figure in words for result in results for figure in figures(result))


def test_many_rows_are_quick_and_whole() -> None:
    results = [measured(f"case-{at}.stl", 20.0 + at / 10) for at in range(500)]
    lines = table_text(results, Settings(), width=80).splitlines()
    assert sum(line.startswith("case-") for line in lines) == 500


@pytest.mark.parametrize("width", WIDTHS)
def test_several_stones_have_a_column(width: int | None) -> None:
    other = replace(MANY[0], mix=mix(113.2, stone="type-3"))
    both = table_text([other, *MANY[1:]], Settings(), width=width, brief=True)
    one = table_text(MANY, Settings(), width=width, brief=True).split()
    assert not {"stone", "type-4"} & set(one)
    assert {"stone", "type-3", "type-4"} <= set(both.split())


@pytest.mark.parametrize("width", WIDTHS)
def test_each_bowl_has_its_scans_and_each_base_its_bowl(width: int | None) -> None:
    def in_bowl(name: str, bowl: str, base: str) -> Result:
        result = measured(name)
        assert result.mix is not None
        base_mix = replace(mix(20.0, stone="type-3"), bowl=base)
        return replace(result, mix=replace(result.mix, bowl=bowl), second_pour=base_mix)

    lab = [in_bowl("a.stl", "small", "large"), in_bowl("b.stl", "large", "large")]
    lab += [in_bowl("c.stl", "small", "small")]
    text = " ".join(table_text(lab, Settings(), width=width).split())
    assert "Bowls small: a.stl, c.stl large: b.stl Bases" in text
    assert text.count(", bowl large") == 2
    assert "Bowls" not in table_text(MANY, Settings(), width=width)


def test_scoops_of_several_stones_are_told_apart() -> None:
    lab = Lab(stone=(OwnStone(name="type-3", scoop_g=43.0), OwnStone(name="ivory", like="type-2")))
    told = made_with(Settings(lab=lab, stones_for=(("a*", "type-3"), ("b*", "ivory"))))
    assert "stone type-4; type-3 for a*; ivory for b*; waste" in told
    assert told.endswith("scoops of 50 g (type-3: 43 g, ivory: weigh it)")


def test_settings_are_told() -> None:
    told = made_with(
        Settings(
            base=parse_base("rim=-1.5"),
            wp_ml_per_100g=22.0,
            residue_ml=3.0,
            unit="inch",
            inside_out=True,
        )
    )
    for words in ("22 mL water to 100 g", "10 % and 3 mL", "rim=-1.5", "inch", "inside out"):
        assert words in told


def test_tally_of_nothing() -> None:
    assert tally([]) == "0 scans"


def test_a_passed_window_stands_in_its_row_and_in_the_tally() -> None:
    # Alginate within 15 min (a course page on casts).
    window = pour_window("alginate")
    results = [measured("old.stl"), measured("new.stl")]
    waiting = [
        Impression(name="old.stl", volume_ml=50.0, window=window, age_min=20.0),
        Impression(name="new.stl", volume_ml=50.0, window=window, age_min=1.0),
    ]
    plan = plan_mixes(waiting, Settings())
    lines = table_text(results, Settings(), plan=plan).splitlines()
    old, new = (next(line for line in lines if line.startswith(name)) for name in ("old", "new"))
    assert old.endswith("window-passed")
    assert new.endswith("none")
    assert "2 scans: 2 measured; 1 past the window of the material" in lines
    assert SHARED_APART not in " ".join(lines)  # each has a mix of its own
    assert SHARED_APART not in " ".join(table_text(results, Settings()).splitlines())
    assert "2 scans: 2 measured" in table_text(results, Settings()).splitlines()


def test_scoops_are_explained_as_they_were_dealt() -> None:
    by_gram, by_scoop = (
        table_text([measured("a.stl")], Settings(by=by), width=200) for by in ("gram", "scoop")
    )
    assert "instead of weighing, and the water that goes" in by_gram
    assert "instead of weighing" not in by_scoop
    assert "powder is rounded up to them" in by_scoop


@pytest.mark.parametrize("width", range(44, 81))
def test_no_line_ends_between_a_figure_and_its_unit(width: int) -> None:
    lab = Lab(second_pour=SecondPour(height_mm=12.0))
    base = second_pour(2600.0, Settings(lab=lab))
    doubts = (HEEL, DIFFER)
    results = [
        replace(measured(f"day/case-{n}.stl", 50.0, doubts), second_pour=base) for n in range(3)
    ]
    lines = table_text(results, Settings(lab=lab), width=width).splitlines()
    assert not [line for line in lines if re.match(r"\s*(mL|g|mm|min|%)\b", line)]
    assert "\ue000" not in "".join(lines)


def test_a_plan_whose_start_is_past_is_made_anew_unless_it_is_begun() -> None:
    start = this_minute() - timedelta(minutes=20)
    plan = plan_mixes([Impression(name="one.stl", volume_ml=20.0)], Settings(), start=start)
    assert "plan anew" in " ".join(shared_lines(plan, Settings()))
    assert "plan anew" not in " ".join(shared_lines(plan, Settings(), begun=True))


def test_a_bowl_of_its_own_is_not_spoken_of_where_a_mix_is_shared() -> None:
    heel = measured("heel.stl", 20.0, (HEEL, SMALL))
    results = [measured("one.stl", 20.0, (SMALL,)), heel, measured("alone.stl", 20.0, (SMALL,))]
    waiting = [Impression(name=result.scan, volume_ml=20.0) for result in results]
    plan = plan_mixes(waiting, Settings(), at_most=2)
    (shared,) = (made for made in plan.mixes if len(made.impressions) > 1)
    assert len(shared.impressions) == 2
    names = [one.name for one in shared.impressions]
    told = table_text(results, Settings(), plan=plan)
    assert SHARED_APART in " ".join(told.splitlines())
    rows = {line.split()[0]: line for line in told.splitlines() if ".stl " in line}
    for result in results:
        in_it = result.scan not in names
        assert ("bowl-underfilled" in rows[result.scan]) == in_it
        # the table shows what will be mixed
        assert rows[result.scan].split().count("mix") == (0 if in_it else 2)
    assert table_text(results, Settings()).count(SMALL.do.split(", ")[0]) == 3
    assert told.count(SMALL.do.split(", ")[0]) == 1
