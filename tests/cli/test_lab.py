"""The lab's options of `mix` and `size`: each shows on the card or in the table."""

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result

from tests.report.invented import measured
from volest.cli.main import volest_group
from volest.lab import SecondPour
from volest.report.record import schema
from volest.result import Result as Sized
from volest.settings import Settings
from volest.stone.lab_file import read_lab_and_habits
from volest.stone.mix import first_pour, second_pour

LAB = """
currency = "CHF"
[bench]
scale_step_g = 0.5
cylinder_step_ml = 0.5
scoop_g = 46
[way.hand]
residue_ml = 4
[[stone]]
name = "ivory"
like = "type-3"
price_per_kg = 3
[[bowl]]
name = "small"
least_ml = 20
most_ml = 70
[[bowl]]
name = "large"
least_ml = 60
most_ml = 160
[[bowl]]
name = "green"
way = "hand"
most_ml = 400
[second_pour]
stone = "ivory"
taper_deg = 5
"""
VOLUMES_ML = {"a": 40.0, "b": 30.0, "c": 45.0, "d": 250.0}


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("VOLEST_JOURNAL", raising=False)
    (tmp_path / "lab.toml").write_text(LAB, encoding="utf-8")
    (tmp_path / "day").mkdir()
    for name in VOLUMES_ML:
        (tmp_path / "day" / f"{name}.stl").write_bytes(name.encode())
    return tmp_path


def size(path: Path, settings: Settings) -> Sized:
    """Stand in for the pipeline; the name of the file decides on the volume."""
    volume_ml = VOLUMES_ML[path.stem]
    return replace(
        measured(str(path), volume_ml),
        mix=first_pour(volume_ml, settings),
        second_pour=second_pour(2000.0, settings),
    )


def call(*words: str) -> Result:
    return CliRunner().invoke(volest_group, list(words), obj=size)


def card(*words: str) -> str:
    result = call("mix", *words)
    assert result.exit_code == 0, result.stderr
    assert all(len(line) <= 80 for line in result.stdout.splitlines())
    return " ".join(result.stdout.split())


def test_card_in_the_steps_of_the_bench() -> None:
    told = card("50", "--lab", "lab.toml")
    # (62.63 mL, reserve included) / (1/2.76 + 0.2) = 111.4 g: 112.5 g and 22.5 mL by its marks.
    assert "112.5 g" in told
    assert "22.5 mL or weigh it: 22.5 g" in told
    assert "Water into bowl small first" in told


def test_card_by_hand() -> None:
    told = card("50", "--lab", "lab.toml", "--way", "hand")
    assert "bowl green" in told
    assert "vacuum" not in told.replace("'vacuum'", "")
    assert "2 turns a second" in told
    made = json.loads(call("mix", "50", "--lab", "lab.toml", "--way", "hand", "--json", "-").stdout)
    needed_ml = sum(ml for term, ml in made["terms_ml"].items() if term != "rounding")
    assert made["terms_ml"]["share"] + made["terms_ml"]["residue"] == pytest.approx(0.10 * 50 + 4)
    assert made["unrounded"]["powder_g"] == pytest.approx(needed_ml / (1 / 2.76 + 0.2), abs=1e-5)


def test_card_split_in_equal_mixes() -> None:
    told = card("200", "--lab", "lab.toml")
    assert "in 2 equal mixes. Each takes:" in told
    assert "Now the same once more: 2 mixes in all" in told


def test_card_stretched() -> None:
    told = card("50", "--extra-water", "0.5")
    assert "W/P 20.5" in told
    assert "weaker and softer" in told
    assert "weaker" not in card("50")


def test_card_with_both_pours_in_their_order() -> None:
    told = card("50", "--lab", "lab.toml", "--second-pour", "12", "--footprint", "2600")
    assert "50.0 mL cavity + 5.2 mL heap over the rim + 2.1 mL retention nodules" in told
    marks = ["Water into bowl", "set nodules", "about 45 min", "of ivory, not type-4"]
    assert [told.index(mark) for mark in marks] == sorted(told.index(mark) for mark in marks)


def test_a_base_of_the_lab_without_its_area_is_told() -> None:
    Path("lab.toml").write_text(LAB + "height_mm = 12\n", encoding="utf-8")
    ended = CliRunner().invoke(volest_group, ["mix", "50", "--lab", "lab.toml"])
    assert ended.exit_code == 0
    assert "no base: the lab file has one of 12 mm" in ended.stderr
    assert "--footprint MM2" in ended.stderr
    assert "nodules" not in ended.stdout
    both = CliRunner().invoke(
        volest_group, ["mix", "50", "--lab", "lab.toml", "--footprint", "990"]
    )
    assert both.exit_code == 0
    assert "no base" not in both.stderr


def test_a_base_in_a_former_is_mixed_too() -> None:
    Path("lab.toml").write_text(LAB + "former_ml = 80\n", encoding="utf-8")
    words = ["mix", "50", "--lab", "lab.toml"]
    without = CliRunner().invoke(volest_group, words)
    assert without.exit_code == 0
    assert "no base: the lab file has one in a former; give the area" in without.stderr
    told = card(*words[1:], "--footprint", "2600")
    assert "Base, the second pour" in told
    # What a former holds, less what the first pour puts into it: a heap of 2 mm, and the nodules.
    taken_ml = 2600.0 * 2.0 / 1000.0 + SecondPour().nodules_ml
    assert f"{80.0 - taken_ml:.1f} mL base" in told


def test_card_says_what_to_do_if_short() -> None:
    assert "10.0 mL of water to 50 g of powder" in card("50")
    assert "start again" in card("50")


def test_card_with_a_price() -> None:
    told = card("50", "--lab", "lab.toml", "--stone", "ivory")
    assert "CHF of it waste" in told
    assert "costs" not in card("50")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["50", "--second-pour", "12"], "--footprint"),
        (["400", "--lab", "lab.toml"], "no more than 2 mixes"),
        (["50", "--lab", "missing.toml"], "missing.toml"),
        (["50", "--extra-water", "-1"], "extra water"),
        (["50", "--journal", "missing.db"], "missing.db"),
    ],
)
def test_slips_are_one_line_and_2(words: list[str], told: str) -> None:
    result = call("mix", *words)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1


def test_size_with_a_base_split_mixes_and_the_powder_of_the_batch() -> None:
    result = call("size", "day", "--lab", "lab.toml", "--second-pour", "12", "--json", "day.json")
    assert result.exit_code == 0, result.output
    told = " ".join(result.stdout.split())
    assert "d.stl: 2 equal mixes, each" in told
    assert told.count("Bases, the second pour") == 1
    assert told.partition("Bases, the second pour")[2].count(" ivory (") == 4
    assert "Powder type-4:" in told
    assert "CHF" in told.partition("Powder ivory:")[2]
    whole = json.loads(Path("day.json").read_text(encoding="utf-8"))
    jsonschema.validate(whole, schema())
    assert whole["settings"]["lab"]["second_pour"]["height_mm"] == 12
    assert whole["scans"][0]["second_pour"]["stone"] == "ivory"
    assert "shared" not in whole


def test_size_shares_mixes() -> None:
    words = ("--lab", "lab.toml", "--material", "addition-silicone", "--age", "90")
    result = call("size", "day", "--share", *words, "--json", "day.json")
    assert result.exit_code == 0, result.output
    told = " ".join(result.stdout.split())
    assert "pour: c.stl" in told or "pour: a.stl" in told
    assert "window: addition-silicone 60 min to 7 days" in told
    whole = json.loads(Path("day.json").read_text(encoding="utf-8"))
    jsonschema.validate(whole, schema())
    mixes = whole["shared"]["mixes"]
    assert sorted(Path(scan).stem for made in mixes for scan in made["scans"]) == list("abcd")
    assert sum(made["mix"]["powder_g"] for made in mixes) == whole["shared"]["powder_g"]
    assert len(mixes) == 3  # two arches at most in 3 min
    assert f"Powder type-4: {whole['shared']['powder_g']:.0f} g" in told
    assert {made["equal_mixes"] for made in mixes} == {1, 2}


def test_materials_and_ages_by_pattern() -> None:
    # A pattern goes before a name for all, in whichever order they are written.
    words = ("--material", "a*=polyether", "--material", "alginate", "--age", "b*=12", "--age", "2")
    call("size", "day", "--share", *words, "--json", "day.json")
    mixes = json.loads(Path("day.json").read_text(encoding="utf-8"))["shared"]["mixes"]
    order = [[Path(scan).stem for scan in made["scans"]] for made in mixes]
    # b has 3 min of its 15 left and goes first, alone or not; a may only be poured after 30 min.
    assert order[0][0] == "b"
    assert order[-1] == ["a"]
    assert mixes[-1]["start_min"] == 26.0  # 2 old, 2 of mixing


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--at-most", "2"], "--share"),
        (["--share", "--material", "silicone"], "condensation-silicone or addition-silicone"),
        (["--material", "wax"], "wax"),
        (["--share", "--material", "wax"], "wax"),
        (["--share", "--age", "soon"], "soon"),
        (["--share", "--age", "b*=-3"], "-3"),
        (["--share", "--at-most", "9"], "9"),
        (["--share", "--kind", "jaw"], "jaw"),
        (["--share", "--start", "noon"], "noon"),
        (["--share", "--start", "14:00", "--taken", "14:01"], "after the plan's start"),
        (["--start", "2026-03-02 14:00", "--taken", "14:01"], "'2026-03-01 14:01'"),
    ],
)
def test_wrong_sharing_is_said_before_the_work(words: list[str], told: str) -> None:
    result = call("size", "day", *words)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stdout == ""


def test_with_a_material_but_no_sharing_each_has_a_mix_of_its_own() -> None:
    words = ("--material", "polyether", "--taken", "20 min", "--json", "day.json")
    assert call("size", "day", *words).exit_code == 0
    whole = json.loads(Path("day.json").read_text(encoding="utf-8"))["shared"]
    assert [len(made["scans"]) for made in whole["mixes"]] == [1] * len(VOLUMES_ML)


def test_minutes_ago_are_counted_from_now_whenever_the_plan_is() -> None:
    day = f"{datetime.now().astimezone() + timedelta(days=1):%Y-%m-%d} 08:00"
    words = ("--share", "--material", "alginate", "--taken", "5 min", "--start", day, "--json", "-")
    whole = json.loads(call("size", "day", *words).stdout)["shared"]
    assert all(by_min < 0.0 for made in whole["mixes"] for by_min in made["pour_by_min"])


def test_what_the_lab_file_says_of_materials_holds_without_sharing_too() -> None:
    habits = "material = ['a*=alginate', 'zz*=agar']\nkind = ['a*=dies']\n"
    Path("lab.toml").write_text(f"{LAB}\n[habits]\n{habits}", encoding="utf-8")
    assert "alginate" in call("size", "day", "--lab", "lab.toml").stdout


def test_what_the_journal_knows_as_poured_is_told() -> None:
    day = ("size", "day", "--quiet", "--journal", "lab.db")
    assert call(*day[:-2], "--json", "day.json").exit_code == 0
    words = ("--journal", "lab.db", "--from", "day.json", "--scan", "b.stl", "--left", "9")
    assert call("log", *words).exit_code == 0
    told = call(*day).stderr
    assert "b.stl is booked as pour 1 of" in told
    assert "a.stl is booked" not in told
    Path("day/b.stl").write_bytes(b"another")
    assert "is booked" not in call(*day).stderr


def test_a_plan_says_when_casts_come_out_and_that_its_start_is_past() -> None:
    day = ("size", "day", "--share", "--at-most", "1", "--kind", "a*=dies", "--quiet")
    past = call(*day, "--start", "2026-03-02 09:00").stdout
    assert "Their start, 09:00, was" in past
    assert "Their start" not in call(*day).stdout
    # Mixed by 9:02; 45 min until it is separated, or until the base and as long again (a naval
    # handbook as copied; handouts on pouring casts).
    assert "separate: from 2026-03-02 09:47 on" in past or "separate: from 09:47 on" in past
    based = call(*day, "--start", "2026-03-02 09:00", "--second-pour", "12").stdout
    assert "base: from 09:47 on; separate: from 10:32 on" in based
    assert "Prepared teeth?" not in past


def test_what_is_past_its_window_is_to_be_asked_for_and_not_ticked() -> None:
    old = ("--material", "a*=alginate", "--taken", "a*=40 min")
    told = call("size", "day", "--at-most", "1", "--share", *old, "--quiet").stdout
    (its,) = [line for line in told.splitlines() if "ASK FIRST" in line and "mL water" in line]
    assert "[ ]" not in its
    assert told.count("[ ]") == len(VOLUMES_ML) - 1


def test_a_time_in_the_name_is_read_for_each_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    # Alginate within 15 min of it (a course page on casts): 5 min are left at two o'clock.
    monkeypatch.setitem(VOLUMES_ML, "e_1350", 20.0)
    Path("day/e_1350.stl").write_bytes(b"e")
    words = ("--share", "--start", "14:00", "--material", "alginate", "--taken", "*_%H%M.*=name")
    whole = json.loads(call("size", "day", *words, "--json", "-").stdout)["shared"]
    left_min = {
        Path(scan).stem: by_min
        for made in whole["mixes"]
        for scan, by_min in zip(made["scans"], made["pour_by_min"], strict=True)
    }
    assert left_min["e_1350"] == 5.0


def test_when_it_was_taken_is_said_by_option_lab_and_file_in_that_order() -> None:
    # Alginate within 15 min of it (a course page on casts): so long are the windows open yet.
    habits = "taken = ['b*=13:50', 'c*=13:51']\nmaterial = ['*=alginate']\n"
    Path("lab.toml").write_text(f"{LAB}\n[habits]\n{habits}", encoding="utf-8")
    day = f"{datetime.now().astimezone():%Y-%m-%d}"
    for name in "bcd":
        text = f"volest_decision = 1\ntaken = {day}T13:53:00\n"
        Path(f"day/{name}.stl.decision.toml").write_text(text, encoding="utf-8")
    words = ("--share", "--start", "14:00", "--taken", "b*=13:49", "--lab", "lab.toml")
    done = call("size", "day", *words, "--kind", "a*=dies", "--json", "day.json")
    assert done.exit_code == 0, done.output
    whole = json.loads(Path("day.json").read_text(encoding="utf-8"))["shared"]
    assert whole["start"].startswith(f"{day}T14:00")
    until = {
        Path(scan).stem: (closes_min, kind)
        for made in whole["mixes"]
        for scan, closes_min, kind in zip(
            made["scans"], made["pour_by_min"], made["kinds"], strict=True
        )
    }
    # a is not known anywhere: 10 min old at least, and it is asked for
    assert until == {"a": (5.0, "dies"), "b": (4.0, "arch"), "c": (6.0, "arch"), "d": (8.0, "arch")}
    noted = {note["code"] for made in whole["mixes"] for note in made["notes"]}
    assert "time-not-known" in noted
    row = next(line for line in done.stdout.splitlines() if line.startswith("a.stl"))
    assert "time-" in row  # the cell may be folded


def test_a_pour_that_no_bowl_can_mix_is_refused_and_the_rest_measured() -> None:
    VOLUMES_ML["e"] = 500.0
    try:
        Path("day/e.stl").write_bytes(b"e")
        result = call("size", "day", "--lab", "lab.toml")
    finally:
        del VOLUMES_ML["e"]
    assert result.exit_code == 1
    assert "REFUSED" in result.stdout  # the cell of its code may be folded
    assert "500.0 mL of cavity" in " ".join(result.stdout.split())
    assert "5 scans: 4 measured, 1 refused" in result.stdout


@pytest.mark.parametrize(("option", "value"), [("--material", "zz*=alginate"), ("--age", "zz*=5")])
def test_a_pattern_that_fits_no_scan_is_refused(option: str, value: str) -> None:
    ran = CliRunner().invoke(volest_group, ["size", "day", "--share", option, value])
    assert ran.exit_code == 2
    assert f"{option} {value}, which fits no scan" in ran.stderr
    assert ran.stderr.count("\n") == 1


def test_the_base_has_its_yield_and_its_cost_on_the_card() -> None:
    told = card("50", "--lab", "lab.toml", "--second-pour", "12", "--footprint", "2600")
    base = told[told.index("The base") :]
    lab = read_lab_and_habits(Path("lab.toml"))[0].pouring(height_mm=12.0)
    taken_ml = 2600.0 * 2.0 / 1000.0 + lab.second_pour.nodules_ml
    made = second_pour(2600.0, Settings(lab=lab), taken_ml=taken_ml)
    assert made is not None
    assert f"Makes {made.mix_ml:.1f} mL" in base
    # 3 CHF a kg.
    assert f"The powder costs {made.powder_g * 3 / 1000:.2f} CHF" in base


def test_a_base_of_the_lab_can_be_left_out_for_once() -> None:
    Path("lab.toml").write_text(LAB + "height_mm = 12\n", encoding="utf-8")
    ran = CliRunner().invoke(volest_group, ["mix", "50", "--lab", "lab.toml", "--second-pour", "0"])
    assert ran.exit_code == 0
    assert "no base" not in ran.stderr
    assert "nodules" not in ran.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["0.045"], "35 to 70 mL"),  # litres
        (["50", "--second-pour", "12", "--footprint", "18"], "mm2"),  # cm2
    ],
)
def test_amounts_in_another_unit_are_refused(words: list[str], told: str) -> None:
    ran = CliRunner().invoke(volest_group, ["mix", *words])
    assert (ran.exit_code, ran.stdout) == (2, "")
    assert told in ran.stderr
