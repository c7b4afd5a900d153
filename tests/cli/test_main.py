"""The command itself: quick, one line a fault, its exit codes as they are written down."""

import json
import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from docs.reference.make_commands import commands_page
from volest import __version__
from volest.cli.main import volest_group
from volest.errors import ScanError

ROOT = Path(__file__).parents[2]
HEAVY = ("numpy", "scipy", "trimesh", "pyvista", "skimage", "rich", "pydantic")


def python(code: str, **more: str) -> "subprocess.CompletedProcess[str]":
    env = {**os.environ, "PYTHONPATH": str(ROOT), **more}
    words = [sys.executable, "-c", code]
    return subprocess.run(words, env=env, capture_output=True, text=True, check=False, timeout=120)


def volest(*words: str | Path, cwd: Path = ROOT) -> "subprocess.CompletedProcess[str]":
    code = "from volest.cli.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.mark.parametrize(
    "words",
    [
        ["--help"],
        ["--version"],
        [],
        *([name, "--help"] for name in ("size", "view", "log")),
    ],
)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    code = f"""
import sys
sys.argv = ["volest", *{words!r}]
from volest.cli.main import main
try:
    main()
except SystemExit:
    pass
print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)
"""
    ran = python(code)
    assert ran.stderr.strip() == "[]", ran.stderr
    assert "volest" in ran.stdout


def test_help_loads_no_command() -> None:
    code = """
import sys
sys.argv = ["volest", "--help"]
from volest.cli.main import main
try:
    main()
except SystemExit:
    pass
print([name for name in sys.modules if name.startswith("volest.cli.")], file=sys.stderr)
"""
    assert python(code).stderr.strip() == "['volest.cli.main']"


def test_version() -> None:
    ran = CliRunner().invoke(volest_group, ["--version"])
    assert (ran.exit_code, ran.stdout) == (0, f"volest {__version__}\n")


def test_nothing_asked_tells_the_three_things_one_does() -> None:
    ran = CliRunner().invoke(volest_group, [])
    assert ran.exit_code == 0
    assert all(f"volest {name} " in ran.stdout for name in ("size", "view", "log"))


def test_every_command_in_the_list_can_be_called() -> None:
    ctx = click.Context(volest_group)
    for name in volest_group.list_commands(ctx):
        command = volest_group.get_command(ctx, name)
        assert command is not None
        assert command.name == name
        assert CliRunner().invoke(volest_group, [name, "--help"]).exit_code == 0


@pytest.mark.parametrize(
    "words",
    [
        ["measure"],
        ["sise"],
        ["--nonsense"],
        ["mix"],
        ["mix", "much"],
        ["mix", "5", "6"],
    ],
)
def test_wrong_use_is_one_line_and_2(words: list[str]) -> None:
    ran = CliRunner().invoke(volest_group, words)
    assert ran.exit_code == 2
    assert ran.stdout == ""
    assert re.fullmatch(r"volest: .*[a-z\"')][.?] See: volest( mix)? --help\n", ran.stderr)


@pytest.fixture
def with_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """Add a command that raises what a test wants."""

    @click.command("fail")
    @click.pass_context
    def fail(ctx: click.Context) -> None:
        raise ctx.obj

    usual = volest_group.get_command
    monkeypatch.setattr(
        volest_group, "get_command", lambda ctx, name: fail if name == "fail" else usual(ctx, name)
    )


@pytest.mark.usefixtures("with_command")
@pytest.mark.parametrize(
    ("fault", "code", "line"),
    [
        (ScanError("x\x1b", needed="y", remedy="z"), 1, "found x\\x1b; needed y; z"),
        (RuntimeError("two\nlines"), 4, "RuntimeError: two lines; for its trace: volest --verbose"),
        (KeyboardInterrupt(), 130, "stopped from the keyboard"),
        (click.ClickException("said"), 2, "said"),
    ],
)
def test_a_fault_is_one_line_and_its_code(fault: BaseException, code: int, line: str) -> None:
    ran = CliRunner().invoke(volest_group, ["fail"], obj=fault)
    assert ran.exit_code == code
    assert line in ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1
    assert "Traceback" not in ran.output


@pytest.mark.usefixtures("with_command")
def test_a_trace_is_to_be_had_of_every_command() -> None:
    told = CliRunner().invoke(volest_group, ["--verbose", "fail"], obj=RuntimeError("odd")).stderr
    assert "raise ctx.obj" in told
    late = CliRunner().invoke(volest_group, ["show", "a.stl", "--verbose"])
    assert late.exit_code == 2
    assert "volest --verbose ..." in late.stderr


def test_a_reader_that_leaves_is_no_fault() -> None:
    shell = f"{sys.executable} -c 'from volest.cli.main import main; main()' --help | true"
    ran = subprocess.run(
        ["bash", "-c", f"{shell}; exit ${{PIPESTATUS[0]}}"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ran.stderr == ""
    assert ran.returncode in {0, 141}  # 0 if all was written before the reader left


def test_a_real_process_refuses_a_real_file(tmp_path: Path) -> None:
    # a binary STL that says 9 facets and holds none: 80 bytes and a count (see docs of the format)
    (tmp_path / "cut.stl").write_bytes(bytes(80) + struct.pack("<I", 9))
    ran = volest("size", "cut.stl", "--json", "-", "--quiet", cwd=tmp_path)
    assert ran.returncode == 1, ran.stderr
    (scan,) = json.loads(ran.stdout)["scans"]
    assert scan["outcome"] == "refused"
    assert scan["reason"].startswith("found ")
    assert ran.stderr == ""


def test_page_of_commands_is_current() -> None:
    page = (ROOT / "docs" / "reference" / "commands.md").read_text(encoding="utf-8")
    # by words, since the line folding of the help is the library's and changes with it
    assert page.split() == commands_page().split(), (
        "run: python docs/reference/make_commands.py > docs/reference/commands.md"
    )


def test_page_of_exit_codes_names_all() -> None:
    page = (ROOT / "docs" / "reference" / "exit-codes.md").read_text(encoding="utf-8")
    codes = [int(code) for code in re.findall(r"^\| (\d+) \|", page, re.MULTILINE)]
    assert codes == [0, 1, 2, 3, 4, 130, 141]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["mix", "12,7"], "'12,7' is not a number. Write it with a point: 12.7."),
        (["mix", "45 mL"], "'45 mL' is not a number. Write the number alone, in mL."),
        (["mix", "45", "--waste", "15%"], "'15%' is not a number. Write the number alone, in per"),
        (["mix", "45", "--second-pour", "1.2cm"], "Write the number alone, in mm."),
        (["log", "--left", "1,5"], "'1,5' is not a number. Write it with a point: 1.5."),
        (["log", "--left", "-1"], "-1.0 is below 0."),
        (["log", "--short", "0"], "0.0 is not above 0."),
        (["size", "x", "--workers", "two"], "'two' is not a whole number."),
        (["size", "x", "--share", "--at-most", "9"], "9 is not in 1 to 4."),
    ],
)
def test_numbers_are_spoken_of_plainly(words: list[str], told: str) -> None:
    ran = volest(*words)
    assert ran.returncode == 2
    assert told in ran.stderr
    assert not re.search(r"float|integer|x>", ran.stderr)


def test_no_help_speaks_of_numbers_like_a_parser() -> None:
    assert not re.search(r"\bx *[<>]|[<>]=? *x\b|FLOAT|INTEGER", commands_page())
