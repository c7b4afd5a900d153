"""A lab's own file: where it is found, what goes before it, its habits, slips in one line."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

import volest
from tests.cavity.trays import trays
from tests.scan import writers
from volest.cli.main import volest_group
from volest.cli.options import LAB_VARIABLE
from volest.errors import UsageError
from volest.result import Result as Sized
from volest.scan.decision import Decision, write_decision
from volest.settings import HABITS, NAMED, Base, Settings

BOWL = writers.stl_binary(
    next(tray for tray in trays() if tray.name == "hemisphere").triangles(is_open=False)
)


@pytest.fixture(autouse=True)
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the place of a lab's file above the folder of scans; it is not there yet."""
    folder = tmp_path / "lab" / "monday"
    folder.mkdir(parents=True)
    monkeypatch.chdir(folder)
    monkeypatch.delenv(LAB_VARIABLE)
    monkeypatch.delenv("VOLEST_JOURNAL", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "lab" / "lab.toml"


def call(*words: str) -> Result:
    return CliRunner().invoke(volest_group, list(words))


def write(file: Path, habits: str, rest: str = "") -> None:
    file.parent.mkdir(exist_ok=True, parents=True)
    file.write_text(f"{rest}\n[habits]\n{habits}\n", encoding="utf-8")


def powder_g(*words: str) -> float:
    ran = call("mix", "50", *words, "--json", "-")
    assert ran.exit_code == 0, ran.output
    return float(json.loads(ran.stdout)["powder_g"])


def row(name: str) -> list[str]:
    lines = call("lab").stdout.splitlines()
    return next(line for line in lines if line.split()[:1] == [name]).split()


def test_without_a_file_all_is_built_in() -> None:
    told = call("lab").stdout
    assert told.startswith("lab file   none (volest lab --new lab.toml starts one)")
    assert row("stone") == ["stone", "type-4", "built", "in", "--stone"]
    assert all(len(line) <= 80 for line in told.splitlines())


def test_the_nearest_file_is_found_and_the_users_own_last(file: Path, tmp_path: Path) -> None:
    # XDG Base Directory Specification: $XDG_CONFIG_HOME is where a user's configuration stands.
    own, near = tmp_path / "config" / "volest" / "lab.toml", file.parent / "monday" / "lab.toml"
    for place, stone in ((own, "type-1"), (file, "type-2"), (near, "type-3")):
        write(place, f'stone = "{stone}"')
        assert row("stone")[1:3] == [stone, "file"]
        assert str(place) in call("lab").stdout.splitlines()[0]
        assert json.loads(call("mix", "50", "--json", "-").stdout)["stone"] == stone


def test_an_empty_word_for_the_users_folder_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # XDG Base Directory Specification: set but empty is as not set, and paths must be absolute.
    monkeypatch.setenv("XDG_CONFIG_HOME", "")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    write(Path("volest") / "lab.toml", 'stone = "type-3"')  # below the current folder
    assert row("stone")[1] == "type-4"
    write(tmp_path / "home" / ".config" / "volest" / "lab.toml", 'stone = "type-2"')
    assert row("stone")[1] == "type-2"


def test_scans_are_looked_beside_and_not_where_one_stands(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (file.parent / "monday" / "bowl.stl").write_bytes(BOWL)
    write(file, 'stone = "type-3"')
    monkeypatch.chdir(tmp_path)
    for path in ("lab/monday", "lab/monday/bowl.stl"):
        assert call("size", path, "--json", "r.json").exit_code == 0
        record = json.loads(Path("r.json").read_text(encoding="utf-8"))
        assert record["scans"][0]["mix"]["stone"] == "type-3"
        assert record["settings"]["lab_file"] == str(file)
        assert f"lab{file}" in "".join(call("size", path).stdout.split())


def test_one_lab_holds_for_a_run_and_others_are_told(file: Path) -> None:
    near = Path("lab.toml").absolute()
    for folder in (Path(), file.parent):
        (folder / "bowl.stl").write_bytes(BOWL)
    write(file, 'stone = "type-3"')
    write(near, 'stone = "type-2"')
    told = call("size", str(file.parent)).stderr
    assert f"{near} is not in force: {file} holds for all scans" in told
    assert "not in force" not in call("size", str(near.parent)).stderr


def test_none_is_named_where_none_is_in_force(file: Path) -> None:
    Path("bowl.stl").write_bytes(BOWL)
    assert call("size", "bowl.stl", "--json", "r.json").exit_code == 0
    assert json.loads(Path("r.json").read_text(encoding="utf-8"))["settings"]["lab_file"] is None
    assert "lab " not in call("size", "bowl.stl").stdout.splitlines()[0]
    assert not file.exists()


@pytest.mark.parametrize("words", [("mix", "50"), ("lab",), ("size", "bowl.stl")])
def test_a_named_file_that_is_not_there_is_told(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(LAB_VARIABLE, "nowhere.toml")
    ran = call(*words)
    assert (ran.exit_code, ran.stdout, ran.stderr.count("\n")) == (2, "", 1)
    assert all(word in ran.stderr for word in ("nowhere.toml", "volest lab --new"))


def test_a_started_file_changes_nothing_and_is_kept(file: Path) -> None:
    assert call("lab", "--new", str(file)).exit_code == 0
    text = file.read_text(encoding="utf-8")
    assert row("stone")[1:4] == ["type-4", "built", "in"]
    assert call("lab", "--new", str(file)).exit_code == 2
    assert file.read_text(encoding="utf-8") == text
    # with the marks taken off, every line of the habits holds
    assert all(f"\n#{setting.example}" in text for setting in HABITS.values())
    write(file, "\n".join(setting.example for setting in HABITS.values()))
    assert row("base")[:3] == ["base", "rim=-1.5", "file"]


def test_the_word_goes_before_the_environment_and_that_before_the_file(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = powder_g()
    write(file, 'stone = "type-3"\nby = "scoop"', "[bench]\nscoop_g = 40")
    assert powder_g() % 40.0 == 0.0
    assert powder_g("--stone", "type-4", "--by", "gram") == plain
    write(Path("other.toml"), 'by = "scoop"', "[bench]\nscoop_g = 60")
    monkeypatch.setenv(LAB_VARIABLE, "other.toml")
    assert powder_g() == 120.0  # two of 60 g
    assert "other.toml (VOLEST_LAB)" in call("lab").stdout
    assert powder_g("--lab", str(file)) % 40.0 == 0.0
    monkeypatch.setenv(LAB_VARIABLE, "")  # no file at all
    assert powder_g() == plain


def test_the_table_fills_the_settings_as_they_are_by_themselves() -> None:
    usual, unsaid = Settings(), {"base": Base(), "stones_for": ()}
    fields = [setting for setting in NAMED.values() if hasattr(usual, setting.name)]
    assert len(fields) >= 12
    for setting in fields:
        said = unsaid.get(setting.name, setting.default)
        assert getattr(usual, setting.name) == said, setting.name


def test_programs_name_their_lab_and_wrong_words_are_told(file: Path) -> None:
    write(file, 'stone = "type-3"\npitch = 0.8')
    assert volest.mix(50).stone == "type-4"  # none is looked for
    assert volest.mix(50, lab=file).stone == "type-3"
    assert volest.mix(50, lab=file, stone="type-2").stone == "type-2"
    assert volest.mix(50, waste_percent=np.float64(25.0)).powder_g > volest.mix(50).powder_g
    with pytest.raises(UsageError, match="waste_percent"):
        volest.mix(50, waste_percent="15")  # type: ignore[arg-type]  # what is tried
    with pytest.raises(UsageError, match="inside_out"):
        volest.mix(50, inside_out="no")  # type: ignore[arg-type]  # likewise
    with pytest.raises(UsageError, match=r"base \["):
        volest.mix(50, base=[3])  # type: ignore[arg-type]  # likewise
    with pytest.raises(UsageError, match="stones_for"):
        volest.mix(50, stones_for=["type-3"])  # type: ignore[arg-type]  # likewise
    with pytest.raises(UsageError, match="write waste_percent"):
        volest.mix(50, waste_per_cent=15)  # type: ignore[call-arg]  # likewise


def test_a_journal_that_was_never_written_is_no_fault(file: Path) -> None:
    write(file, 'journal = "lab.db"\n')
    assert powder_g() == 112.0
    booked = call("log", "--volume", "50", "--powder", "103", "--water", "20.6", "--left", "9")
    assert booked.exit_code == 0, booked.output
    assert (file.parent / "lab.db").exists()
    assert "Learned from 1 pour" in call("mix", "50").stdout


def test_a_saved_base_line_goes_before_that_of_the_file(file: Path) -> None:
    scan = Path("bowl.stl")
    scan.write_bytes(BOWL)
    write(file, 'base = "rim=-3"\n')

    def line(*words: str) -> str:
        assert call("size", str(scan), *words, "--json", "r.json").exit_code == 0
        record = json.loads(Path("r.json").read_text(encoding="utf-8"))
        return str(record["scans"][0]["base_line"]["how"])

    assert line() == "rim"
    write_decision(scan, Decision(point_mm=(0.0, 0.0, -2.0), normal=(0.0, 0.0, 1.0)))
    assert line() == "saved"
    assert line("--base", "rim=-1") == "rim"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("ston = 'type-3'", "stone?"),
        ("waste = 12", "no such key"),
        ("pitch = '0.4'", "a number"),
        ("pitch = true", "a number"),
        ("stone = 3", "a text in quotes"),
        ("stone = [", "in TOML"),
        ("by = 'spoon'", "'spoon'"),
        ("pitch = 99", "0.05 to 2"),
        ("pitch = nan", "0.05 to 2"),
        ("unit = 'inches'", "mm, cm, m, inch"),
        ("way = 'shaker'", "hand, vacuum"),
        ("base = 'rim=1,5'", "rim=MM"),
        ("stone = 'grey sack'", "one of type-1"),
        ("stone_for = 'b*=type-3'", "brackets"),
        ("stone_for = ['type-3']", "a pattern"),
        ("stone_for = ['b*=typ-3']", "one of type-1"),
    ],
)
def test_slips_are_one_line_and_2(file: Path, text: str, told: str) -> None:
    write(file, text)
    Path("bowl.stl").write_bytes(BOWL)
    for words in (("size", "bowl.stl"), ("lab",)):
        ran = call(*words)
        assert (ran.exit_code, ran.stdout) == (2, "")
        assert told in ran.stderr
        assert "--" not in ran.stderr.partition("See:")[0].replace("--new", "")
        assert ran.stderr.count("\n") == 1


def test_help_is_told_whatever_the_file_says(file: Path) -> None:
    write(file, "ston = 'type-3'")
    told = call("size", "--help")
    assert told.exit_code == 0
    assert call("size", "--help-all").exit_code == 0
    write(file, "stone = 'type-3'")
    assert call("size", "--help").stdout == told.stdout


def test_every_habit_that_means_nothing_is_told_with_an_example(file: Path) -> None:
    write(file, "material = ['b*=foo']\nkind = ['b*=bar']\ntaken = ['b*=25:00']\nby = 'cup'")
    told = call("mix", "50").stderr
    assert all(f"for example {HABITS[key].example}" in told for key in ("material", "kind", "by"))
    assert "habits.taken = 'b*=25:00' (needed: 13:40, " in told
    assert "mend all 4" in told


def test_a_scan_on_the_input_lies_where_one_stands(file: Path) -> None:
    write(Path("lab.toml"), 'stone = "type-3"')
    ran = CliRunner().invoke(volest_group, ["size", "-", "--json", "-", "--quiet"], input=BOWL)
    assert json.loads(ran.stdout)["scans"][0]["mix"]["stone"] == "type-3"
    assert not file.exists()


def test_a_stone_of_the_lab_is_known_by_its_file(file: Path) -> None:
    write(file, 'stone = "grey sack"', '[[stone]]\nname = "grey sack"\nlike = "type-3"')
    assert row("stone")[:4] == ["stone", "grey", "sack", "file"]
    assert json.loads(call("mix", "50", "--json", "-").stdout)["stone"] == "grey sack"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("pitch = 0.4", "it belongs under [habits]"),
        ("[habit]\npitch = 0.4", "habits?"),
        ("[bench]\nby = 'scoop'", "it belongs under [habits]"),
    ],
)
def test_a_habit_in_another_place_is_told_its_own(file: Path, text: str, told: str) -> None:
    file.write_text(text, encoding="utf-8")
    ran = call("mix", "50")
    assert ran.exit_code == 2
    assert told in ran.stderr


def test_no_control_code_of_a_name_reaches_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOLEST_JOURNAL", "lab\x1b[2J.db")
    shown = call("lab").stdout
    assert "lab\\x1b[2J.db" in shown
    assert "\x1b" not in shown


def test_a_pour_without_a_journal_says_every_way_to_name_one(file: Path) -> None:
    words = ("log", "--volume", "50", "--powder", "103", "--water", "20.6", "--left", "9")
    ran = call(*words)
    assert ran.exit_code == 2
    assert ran.stderr.count("\n") == 1
    ways = ("--journal", "VOLEST_JOURNAL", "volest lab")
    assert all(way in ran.stderr for way in ways)
    told = call("log", "--help").stdout
    assert all(way in told for way in ways)
    assert "[required]" not in told
    write(file, 'journal = "lab.db"\n')
    assert call(*words).exit_code == 0


def test_a_pour_is_booked_as_the_file_says_it_is_mixed(file: Path) -> None:
    write(file, 'journal = "lab.db"\nway = "hand"\n')
    words = ("log", "--volume", "50", "--powder", "103", "--water", "20.6", "--left", "6")
    assert "mixed by hand: 1 pour" in call(*words).stdout
    assert "mixed under vacuum: 1 pour" in call(*words, "--way", "vacuum").stdout


def test_a_journal_that_is_not_there_yet_is_told(file: Path) -> None:
    write(file, 'journal = "lab.db"\n')
    ran = call("mix", "50")
    assert ran.exit_code == 0
    assert f"no journal {file.parent / 'lab.db'} yet: the waste is as set" in ran.stderr


@pytest.mark.parametrize("said", ["stone_for = ['bo*=grey sack', 'x*=type-4']", ""])
@pytest.mark.parametrize("words", [("show", "--picture", "b.png"), ("view",)])
def test_pictures_are_mixed_as_the_lab_mixes(
    file: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    drawn = []

    def picture_of(sized: Sized, *_: object) -> None:
        assert sized.mix is not None
        drawn.append(sized.mix)

    def blind(*, off_screen: bool) -> None:
        if not off_screen:
            raise UsageError("no display", needed="one", remedy="none")

    monkeypatch.setattr("volest.view.picture.picture_of", picture_of)
    monkeypatch.setattr("volest.view.picture.save_picture", lambda *_: None)
    monkeypatch.setattr("volest.view.picture.refuse_blind", blind)
    own = '[[stone]]\nname = "grey sack"\nlike = "type-3"\nscoop_g = 43'
    write(file, 'stone = "type-2"\nway = "hand"\n' + said, own)
    Path("bowl.stl").write_bytes(BOWL)
    assert call("size", "bowl.stl", "--json", "size.json").exit_code == 0
    (scan,) = json.loads(Path("size.json").read_text(encoding="utf-8"))["scans"]
    ran = call(words[0], "bowl.stl", *words[1:])
    assert ran.exit_code == 0, ran.output
    assert [made.as_record() for made in drawn] == [scan["mix"]]
    assert scan["mix"]["stone"] == ("grey sack" if said else "type-2")
    assert call(words[0], "bowl.stl", *words[1:], "--stone-for", "b*=type-5").exit_code == 0
    assert drawn[-1].stone == "type-5"


def test_the_scoop_is_that_of_the_usual_stone(file: Path) -> None:
    write(file, "stone = 'type-4'\n")
    Path("bowl.stl").write_bytes(BOWL)
    assert "scoops of 50 g" in call("size", "bowl.stl").stdout
    told = " ".join(call("size", "bowl.stl", "--stone", "type-3").stdout.split())
    assert "scoops of no known weight" in told
    assert "Scoops: level scoops of no known weight; weigh the powder." in told
    assert " weigh rim " in told
    asked = call("size", "bowl.stl", "--stone", "type-3", "--by", "scoop").stdout
    assert "no-scoop" in asked
    assert "no-scoop" not in call("size", "bowl.stl", "--by", "scoop").stdout


def test_a_folder_for_settings_that_is_named_empty_is_not_the_current_one(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", "")
    monkeypatch.setenv("HOME", str(file.parents[1]))
    usual_g = powder_g()
    write(Path("volest", "lab.toml"), 'stone = "type-3"')
    assert powder_g() == usual_g
    assert powder_g("--lab", "volest/lab.toml") != usual_g
