"""A user's own defaults: where they are found, what goes before them, slips in one line."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.cavity.trays import trays
from tests.scan import writers
from volest.cli.defaults import KEYS, VARIABLE
from volest.cli.main import volest_group
from volest.errors import UsageError
from volest.result import Result as Sized
from volest.scan.decision import Decision, write_decision

BOWL = writers.stl_binary(
    next(tray for tray in trays() if tray.name == "hemisphere").triangles(is_open=False)
)


@pytest.fixture(autouse=True)
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for key in KEYS.values():
        if key.variable is not None:
            monkeypatch.delenv(key.variable, raising=False)
    target = tmp_path / "place" / "defaults.toml"
    write(target, "")  # a file that is named must be there; an empty one says nothing
    monkeypatch.setenv(VARIABLE, str(target))
    return target


def call(*words: str) -> Result:
    return CliRunner().invoke(volest_group, list(words))


def write(file: Path, text: str) -> None:
    file.parent.mkdir(exist_ok=True)
    file.write_text(text, encoding="utf-8")


def powder_g(*words: str) -> float:
    ran = call("mix", "50", *words, "--json", "-")
    assert ran.exit_code == 0, ran.output
    return float(json.loads(ran.stdout)["powder_g"])


def row(name: str) -> list[str]:
    lines = call("settings").stdout.splitlines()
    (line,) = (line for line in lines if line.split()[0] == name)
    return line.split()


def test_without_a_file_all_is_built_in(file: Path) -> None:
    told = call("settings").stdout
    assert str(file) in told
    assert row("stone")[:4] == ["stone", "type-4", "built", "in"]
    assert all(len(line) <= 80 for line in told.splitlines()[1:])


def test_the_usual_place_is_that_of_the_user(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # XDG Base Directory Specification: $XDG_CONFIG_HOME is where a user's configuration stands.
    monkeypatch.delenv(VARIABLE)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    usual = tmp_path / "config" / "volest" / "defaults.toml"
    assert f"{usual} (not there; --new starts it)" in call("settings").stdout
    assert powder_g() == 103.0  # nobody has to have such a file


@pytest.mark.parametrize("words", [("mix", "50"), ("settings",), ("size", "bowl.stl")])
def test_a_named_file_that_is_not_there_is_told(file: Path, words: tuple[str, ...]) -> None:
    file.unlink()
    ran = call(*words)
    assert ran.exit_code == 2
    assert ran.stdout == ""
    assert ran.stderr.count("\n") == 1
    assert all(word in ran.stderr for word in (str(file), VARIABLE, "volest settings --new"))


def test_a_named_file_that_is_not_there_can_be_started(file: Path) -> None:
    file.unlink()
    assert call("settings", "--new").exit_code == 0
    assert powder_g() == 103.0


def test_a_folder_is_no_file_of_defaults(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    ran = call("mix", "50")
    assert (ran.exit_code, "not a plain file" in ran.stderr) == (2, True)


def test_a_started_file_changes_nothing_and_is_kept(file: Path) -> None:
    file.unlink()
    assert call("settings", "--new").exit_code == 0
    text = file.read_text(encoding="utf-8")
    assert row("stone")[:4] == ["stone", "type-4", "built", "in"]
    assert call("settings", "--new").exit_code == 2
    assert file.read_text(encoding="utf-8") == text
    # with the marks taken off, every line holds
    held = "\n".join(key.example for key in KEYS.values())
    assert all(f"\n#{line}\n" in text for line in held.splitlines())
    write(file, held)
    (file.parent / "lab.toml").write_text("", encoding="utf-8")
    assert row("base")[:3] == ["base", "rim=-1.5", "file"]


def test_the_file_goes_before_what_is_built_in_and_the_word_before_the_file(file: Path) -> None:
    plain = powder_g()
    write(file, 'stone = "type-3"\nby = "scoop"\n')
    assert powder_g() % 50 == 0
    assert powder_g("--stone", "type-4", "--by", "gram") == plain
    assert row("stone")[:3] == ["stone", "type-3", "file"]


def test_the_environment_goes_before_the_file(
    file: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    write(file, 'lab = "lab.toml"\nby = "scoop"\n')
    (file.parent / "lab.toml").write_text("[bench]\nscoop_g = 40\n", encoding="utf-8")
    assert powder_g() == 120.0  # three scoops of 40 g hold 103 g
    (tmp_path / "other.toml").write_text("[bench]\nscoop_g = 60\n", encoding="utf-8")
    monkeypatch.setenv("VOLEST_LAB", "other.toml")
    assert powder_g() == 120.0  # two of 60 g
    assert row("lab")[1:3] == ["other.toml", "environment"]


def test_a_journal_that_was_never_written_is_no_fault(file: Path) -> None:
    write(file, 'journal = "lab.db"\n')
    assert powder_g() == 103.0
    booked = call("log", "--volume", "50", "--powder", "103", "--water", "20.6", "--left", "9")
    assert booked.exit_code == 0, booked.output
    assert (file.parent / "lab.db").exists()
    assert "Learned from 1 pour" in call("mix", "50").stdout


def test_a_saved_base_line_goes_before_that_of_the_file(file: Path, tmp_path: Path) -> None:
    scan = tmp_path / "bowl.stl"
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
        ("waste = 12", "lab file"),
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
        ("lab = 'nowhere.toml'", "nowhere.toml"),
        ("stone_for = 'b*=type-3'", "brackets"),
        ("stone_for = ['type-3']", "a pattern"),
        ("stone_for = ['b*=typ-3']", "one of type-1"),
    ],
)
def test_slips_are_one_line_and_2(file: Path, tmp_path: Path, text: str, told: str) -> None:
    write(file, text)
    (tmp_path / "bowl.stl").write_bytes(BOWL)
    for words in (("size", "bowl.stl"), ("settings",)):
        ran = call(*words)
        assert (ran.exit_code, ran.stdout) == (2, "")
        assert told in ran.stderr
        assert "--" not in ran.stderr.partition("See:")[0].replace("--new", "")
        assert ran.stderr.count("\n") == 1


def test_a_lab_file_of_the_environment_must_be_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOLEST_LAB", "nowhere.toml")
    ran = call("settings")
    assert (ran.exit_code, ran.stdout, ran.stderr.count("\n")) == (2, "", 1)
    assert "nowhere.toml" in ran.stderr


def test_a_stone_of_the_lab_is_known_by_its_lab_file(file: Path) -> None:
    (file.parent / "lab.toml").write_text(
        '[[stone]]\nname = "grey sack"\nlike = "type-3"\n', encoding="utf-8"
    )
    write(file, 'lab = "lab.toml"\nstone = "grey sack"\n')
    assert call("settings").exit_code == 0
    assert row("stone")[:4] == ["stone", "grey", "sack", "file"]
    write(file, 'stone = "grey sack"\n')
    assert call("mix", "50", "--lab", str(file.parent / "lab.toml")).exit_code == 0
    for words in (("mix", "50"), ("settings",)):
        assert f"{file}: stone = 'grey sack'" in call(*words).stderr


def test_no_control_code_of_a_name_reaches_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOLEST_JOURNAL", "lab\x1b[2J.db")
    shown = call("settings").stdout
    assert "lab\\x1b[2J.db" in shown
    assert "\x1b" not in shown


def test_an_empty_variable_means_no_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "")
    assert row("file") == ["file", "none"]
    assert call("settings", "--new").exit_code == 2


def test_a_pour_without_a_journal_says_every_way_to_name_one(file: Path) -> None:
    words = ("log", "--volume", "50", "--powder", "103", "--water", "20.6", "--left", "9")
    ran = call(*words)
    assert ran.exit_code == 2
    assert ran.stderr.count("\n") == 1
    ways = ("--journal", "VOLEST_JOURNAL", "volest settings")
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


def test_a_lab_file_that_was_moved_is_told_with_who_names_it(file: Path) -> None:
    write(file, 'lab = "moved.toml"\n')
    told = call("mix", "50").stderr
    assert f"{file.parent / 'moved.toml'}, which {file} names" in told
    assert f", which {file}" not in call("mix", "50", "--lab", "elsewhere.toml").stderr


def test_a_journal_that_is_not_there_yet_is_told(file: Path) -> None:
    write(file, 'journal = "lab.db"\n')
    ran = call("mix", "50")
    assert ran.exit_code == 0
    assert f"no journal {file.parent / 'lab.db'} yet: the waste is as set" in ran.stderr


@pytest.mark.parametrize("said", ["stone_for = ['bo*=grey sack', 'x*=type-4']", ""])
@pytest.mark.parametrize("words", [("show", "--picture", "b.png"), ("view",)])
def test_pictures_are_mixed_as_the_lab_mixes(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    drawn = []

    def picture_of(sized: Sized, cavity: object) -> None:
        del cavity
        assert sized.mix is not None
        drawn.append(sized.mix)

    def blind(*, off_screen: bool) -> None:
        if not off_screen:
            raise UsageError("no display", needed="one", remedy="none")

    monkeypatch.setattr("volest.view.picture.picture_of", picture_of)
    monkeypatch.setattr("volest.view.picture.save_picture", lambda *_: None)
    monkeypatch.setattr("volest.view.picture.refuse_blind", blind)
    (file.parent / "lab.toml").write_text(
        '[[stone]]\nname = "grey sack"\nlike = "type-3"\nscoop_g = 43\n', encoding="utf-8"
    )
    write(file, 'lab = "lab.toml"\nstone = "type-2"\nway = "hand"\n' + said)
    (tmp_path / "bowl.stl").write_bytes(BOWL)
    assert call("size", "bowl.stl", "--json", "size.json").exit_code == 0
    (scan,) = json.loads(Path("size.json").read_text(encoding="utf-8"))["scans"]
    ran = call(words[0], "bowl.stl", *words[1:])
    assert ran.exit_code == 0, ran.output
    assert [made.as_record() for made in drawn] == [scan["mix"]]
    assert scan["mix"]["stone"] == ("grey sack" if said else "type-2")
    assert call(words[0], "bowl.stl", *words[1:], "--stone-for", "b*=type-5").exit_code == 0
    assert drawn[-1].stone == "type-5"


def test_the_scoop_is_that_of_the_usual_stone(file: Path, tmp_path: Path) -> None:
    write(file, "stone = 'type-4'\n")
    (tmp_path / "bowl.stl").write_bytes(BOWL)
    assert "scoops of 50 g" in call("size", "bowl.stl").stdout
    told = " ".join(call("size", "bowl.stl", "--stone", "type-3").stdout.split())
    assert "scoops of no known weight" in told
    assert "Scoops: level scoops of no known weight; weigh the powder." in told
    assert " weigh rim " in told
    asked = call("size", "bowl.stl", "--stone", "type-3", "--by", "scoop").stdout
    assert "no-scoop" in asked
    assert "no-scoop" not in call("size", "bowl.stl", "--by", "scoop").stdout


def test_the_settings_say_who_names_a_lab_file_that_is_not_there(file: Path) -> None:
    write(file, 'lab = "nix.toml"\n')
    assert f"nix.toml, which {file} names" in call("settings").stderr
