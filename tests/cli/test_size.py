"""`volest size`: what stands on which stream, in which file, with which exit code."""

import csv
import io
import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.report.invented import HEEL, measured, refused
from volest.cli.main import volest_group
from volest.dosing import dosed
from volest.result import Result as Sized
from volest.settings import Settings

SEEN: list[Settings] = []


def size(path: Path, settings: Settings) -> Sized:
    """Stand in for the pipeline; the name of the file decides."""
    SEEN.append(settings)
    if "bad" in path.name:
        return refused(str(path))
    if "crash" in path.name:
        raise ZeroDivisionError("none of us")
    if "stop" in path.name:
        raise KeyboardInterrupt
    return dosed(measured(str(path), notes=(HEEL,) if "heel" in path.name else ()), settings)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name in ("NO_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    for name in ("a1.stl", "a10.stl", "heel.ply"):
        (tmp_path / name).write_bytes(name.encode())
    return tmp_path


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(volest_group, ["size", *map(str, words)], obj=size)


def test_table_on_the_output_and_nothing_else(folder: Path) -> None:
    del folder
    result = call(".")
    assert result.exit_code == 0
    assert result.stderr == ""
    assert "3 scans: 2 measured, 1 measured with notes" in result.stdout
    assert result.stdout.index("a1.stl") < result.stdout.index("a10.stl")
    assert "\x1b" not in result.stdout


def test_files_of_other_kinds_are_named(folder: Path) -> None:
    (folder / "case\x1b.3mf").write_bytes(b"x")
    result = call(".")
    assert result.exit_code == 0
    assert "not read: case" in result.stderr
    assert "STL or PLY" in result.stderr
    assert "\x1b" not in result.stderr
    assert "not read: case" in call(".", "--quiet").stderr  # a doubt stays


def test_a_pattern_gives_scans_another_stone(folder: Path) -> None:
    done = call(folder, "--stone-for", "a1.*=type-3", "--csv", "out.csv")
    lines = csv.DictReader((folder / "out.csv").read_text(encoding="utf-8").splitlines())
    assert [line["stone"] for line in lines] == ["type-3", "type-4", "type-4"]
    assert "stone type-4; type-3 for a1.*" in done.stdout


@pytest.mark.parametrize(
    ("given", "told"),
    [("q1*=type-3", "fits no scan"), ("type-3", "a pattern"), ("a1*=typ3", "typ3")],
)
def test_a_pattern_that_means_nothing_is_refused(folder: Path, given: str, told: str) -> None:
    done = call(folder, "--stone-for", given)
    assert done.exit_code == 2
    assert told in done.stderr


def test_one_scan_under_two_names_is_told(folder: Path) -> None:
    (folder / "later").mkdir()
    (folder / "later" / "a1.stl").write_bytes((folder / "a1.stl").read_bytes())
    (folder / "empty-1.stl").touch()
    (folder / "empty-2.stl").touch()
    told = "the same scan in a1.stl, later/a1.stl; mix for it once, or export the wrong one again"
    assert call(".").stderr.splitlines() == [told]
    assert call(".", "--quiet").stderr.splitlines() == [told]  # a doubt stays
    assert call(".", "--dry").stderr.splitlines() == [told]


def test_options_become_settings(folder: Path) -> None:
    words = "--base rim=-1.5 --unit inch --pitch 0.5 --stone type-3 --wp 31 --waste 10 --residue 2"
    result = call(folder, *words.split(), "--by", "scoop", "--inside-out")
    assert result.exit_code == 0, result.stderr
    assert SEEN[-1].as_record() == {
        **Settings().as_record(),
        "base": "rim=-1.5",
        "unit": "inch",
        "pitch_mm": 0.5,
        "stone": "type-3",
        "wp_ml_per_100g": 31.0,
        "waste_percent": 10.0,
        "residue_ml": 2.0,
        "by": "scoop",
        "inside_out": True,
        "obey_saved": False,
    }


def test_defaults_are_those_of_the_settings(folder: Path) -> None:
    call(folder)
    assert SEEN[-1].as_record() == Settings().as_record()


@pytest.mark.parametrize(
    ("name", "code"), [("bad.stl", 1), ("crash.stl", 4), ("missing.stl", 0), ("heel.ply", 0)]
)
def test_exit_codes(folder: Path, name: str, code: int) -> None:
    del folder
    assert call(".", name).exit_code == code


def test_a_fault_outweighs_a_refusal_and_the_rest_is_measured(folder: Path) -> None:
    (folder / "b-crash.stl").write_bytes(b"x")
    (folder / "c-bad.stl").write_bytes(b"x")
    result = call(".")
    assert result.exit_code == 4
    assert "fault in volest: ZeroDivisionError: none of us" in " ".join(result.stdout.split())
    assert "5 scans: 2 measured, 1 measured with notes, 2 refused" in result.stdout
    assert "Traceback" not in result.output


def test_verbose_tells_the_trace_on_the_error_stream(folder: Path) -> None:
    del folder
    result = call("crash.stl", "--verbose")
    assert "Traceback" in result.stderr
    assert "Traceback" not in result.stdout
    assert "Traceback" not in call("crash.stl").output  # and only as long as it is asked for


def test_json_in_a_file(folder: Path) -> None:
    (folder / "bad.stl").write_bytes(b"x")
    result = call(".", "--json", "./out.json")
    assert result.exit_code == 1
    assert result.stderr == "wrote out.json\n"
    whole = json.loads((folder / "out.json").read_text())
    assert [scan["scan"] for scan in whole["scans"]] == ["a1.stl", "a10.stl", "bad.stl", "heel.ply"]
    assert "a1.stl" in result.stdout


def test_json_on_the_output_sends_the_table_to_the_error_stream(folder: Path) -> None:
    del folder
    result = call(".", "--json", "-")
    assert len(json.loads(result.stdout)["scans"]) == 3
    assert "3 scans:" in result.stderr
    quiet = call(".", "--json", "-", "--quiet")
    assert json.loads(quiet.stdout)
    assert quiet.stderr == ""


def test_csv_on_the_output_and_json_in_a_file(folder: Path) -> None:
    result = call(".", "--csv", "-", "--json", "out.json")
    lines = list(csv.DictReader(io.StringIO(result.stdout_bytes.decode(), newline="")))
    assert [line["scan"] for line in lines] == ["a1.stl", "a10.stl", "heel.ply"]
    assert (folder / "out.json").exists()


def test_quiet_leaves_out_hints_and_cautions_but_no_doubt(folder: Path) -> None:
    del folder
    result = call(".", "--csv", "out.csv", "--quiet")
    assert result.stderr == ""
    assert "dust" not in result.stdout
    assert HEEL.do in " ".join(result.stdout.split())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--base", "floor"], "base line 'floor'"),
        (["--unit", "furlong"], "furlong"),
        (["--pitch", "nan"], "pitch nan"),
        (["--pitch", "wide"], "wide"),
        (["--stone", "marble"], "marble"),
        (["--wp", "5"], "5 mL"),
        (["--waste", "-5"], "-5"),
        (["--residue", "inf"], "inf"),
        (["--by", "spoon"], "spoon"),
        (["--json", "missing/out.json"], "missing/out.json"),
        (["--csv", "."], "folder"),
        (["--json", "a1.stl"], "scan"),
        (["--json", "-", "--csv", "-"], "two places"),
        (["--json", "x", "--csv", "./x"], "two places"),
        (["--nonsense"], "--nonsense"),
    ],
)
def test_wrong_use_is_one_line_and_2(folder: Path, words: list[str], told: str) -> None:
    SEEN.clear()
    result = call(".", *words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.startswith("volest: ")
    assert result.stderr.count("\n") == 1
    assert told in result.stderr
    assert SEEN == []  # before the work, not after it
    assert (folder / "a1.stl").read_bytes() == b"a1.stl"


def test_no_path_at_all_is_wrong_use() -> None:
    assert call().exit_code == 2


def test_a_scan_under_another_name_is_not_overwritten(folder: Path) -> None:
    (folder / "scan.bin").write_bytes(b"x")
    (folder / "link.json").symlink_to("scan.bin")
    result = call("scan.bin", "--json", "link.json")
    assert result.exit_code == 2
    assert (folder / "scan.bin").read_bytes() == b"x"


def test_nothing_found_is_3(tmp_path: Path) -> None:
    result = call(tmp_path)
    assert result.exit_code == 3
    assert result.stderr.startswith("volest: found no scan in ")


def test_the_keyboard_ends_it_with_what_is_done(folder: Path) -> None:
    (folder / "b-stop.stl").write_bytes(b"x")
    result = call(".", "--json", "./out.json")
    assert result.exit_code == 130
    assert "2 scans: 2 measured" in result.stdout
    assert "2 of 4 scans were done" in result.stderr
    assert len(json.loads((folder / "out.json").read_text())["scans"]) == 2


def test_a_disk_that_is_full_does_not_cost_the_table(folder: Path) -> None:
    del folder
    result = call(".", "--json", "/dev/full")  # every write fails with ENOSPC: full(4)
    assert result.exit_code == 2
    assert "No space left" in result.stderr
    assert "3 scans:" in result.stdout


def test_names_that_attack_a_terminal(folder: Path) -> None:
    (folder / "[bold red]x\x1b[2J.stl").write_bytes(b"x")
    (folder / os.fsdecode(b"caf\xe9.stl")).write_bytes(b"x")
    result = call(".", "--csv", "out.csv", "--json", "out.json")
    assert "[bold red]x\\x1b[2J.stl" in result.stdout
    assert "caf\\xe9.stl" in result.stdout
    assert "caf\\xe9.stl" in (folder / "out.csv").read_text(encoding="utf-8")
    assert result.exit_code == 0


def in_a_terminal(code: str, folder: Path, columns: int, **more: str) -> str:
    """Run Python code on a real pseudo-terminal and give what a person would see."""
    leader, follower = pty.openpty()
    env = {**os.environ, "TERM": "xterm", "COLUMNS": str(columns), **more}
    words = [sys.executable, "-c", code]
    root = str(Path(__file__).parents[2])
    env["PYTHONPATH"] = root
    run = subprocess.Popen(words, cwd=folder, env=env, stdout=follower, stderr=follower)
    os.close(follower)
    seen = b""
    while True:
        try:
            part = os.read(leader, 65536)
        except OSError:  # EIO: the other end is closed (Linux, pty(7))
            break
        if not part:
            break
        seen += part
    os.close(leader)
    run.wait()
    return seen.decode().replace("\r\n", "\n")


ONE_RUN = """
import sys
sys.argv = ["volest", "size", "."]
from tests.cli.test_size import size
from volest.cli.main import volest_group
from volest.dosing import dosed
volest_group.main(obj=size)
"""


@pytest.mark.parametrize("columns", [80, 120])
def test_a_real_terminal_gets_styles_and_its_own_width(folder: Path, columns: int) -> None:
    seen = in_a_terminal(ONE_RUN, folder, columns)
    assert "\x1b[1m" in seen
    bare = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", seen)
    assert max(map(len, bare.splitlines())) <= columns
    assert "3 scans: 2 measured, 1 measured with notes" in bare


def test_no_color_is_respected(folder: Path) -> None:
    # no-color.org: NO_COLOR, present and not empty, whatever its value
    assert "\x1b" not in in_a_terminal(ONE_RUN, folder, 80, NO_COLOR="1")


@pytest.mark.slow
def test_a_long_run_shows_a_bar_on_a_terminal_only(folder: Path) -> None:
    slow = ONE_RUN.replace(
        "volest_group.main",
        "import time\nwas = size\n"
        "def size(p, s):\n    time.sleep(1.2)\n    return was(p, s)\nvolest_group.main",
    )
    assert "/3" in in_a_terminal(slow, folder, 80)
    assert "/3" not in in_a_terminal(ONE_RUN, folder, 80)  # too quick for a bar


def test_help_shows_every_option_and_examples() -> None:
    text = call("--help-all").stdout
    options = "base unit pitch stone wp waste residue by inside-out json csv quiet verbose"
    assert all(f"--{option}" in text for option in options.split())
    assert "Examples:" in text
