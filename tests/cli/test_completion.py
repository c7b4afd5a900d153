"""Completion as a shell asks for it: in a real bash, and word by word."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from volest.cli.main import SHELLS, VARIABLE, volest_group


@pytest.fixture
def program(tmp_path: Path) -> Path:
    program = tmp_path / "volest"
    program.write_text(
        f"#!{sys.executable}\nfrom volest.cli.main import main\nmain()\n", encoding="utf-8"
    )
    program.chmod(0o755)
    return program


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_gets_its_script(shell: str) -> None:
    ran = CliRunner().invoke(volest_group, ["completion", shell])
    assert ran.exit_code == 0
    assert VARIABLE in ran.stdout


@pytest.mark.parametrize(
    ("line", "begun", "offered"),
    [
        ("volest sh", "sh", ["show\tTell all about SCAN: its mix, where the..."]),
        ("volest completion ", None, [f"{shell}\t{shell}" for shell in SHELLS]),
        ("volest size 'a scan.stl' --out ", None, []),  # files are for the shell to offer
    ],
)
def test_powershell_is_answered_in_its_way(
    program: Path, line: str, begun: str | None, offered: list[str]
) -> None:
    said = {VARIABLE: "powershell_complete", "COMP_WORDS": line}
    ran = subprocess.run(
        [program],
        env={**os.environ, **said, **({} if begun is None else {"COMP_CWORD": begun})},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    assert [line for line in ran.stdout.splitlines() if line] == offered


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
@pytest.mark.parametrize(
    ("line", "wanted"), [("volest sh", "show"), ("volest size --resi", "--residue")]
)
def test_bash_finishes_words(program: Path, line: str, wanted: str) -> None:
    words = line.split()
    script = (
        f'eval "$({program} completion bash)"\n'
        f"COMP_WORDS=({' '.join(words)}); COMP_CWORD={len(words) - 1}\n"
        f'_volest_completion volest\necho "${{COMPREPLY[@]}}"'
    )
    path = f"{program.parent}:{os.environ['PATH']}"
    ran = subprocess.run(
        ["bash", "-c", script],
        env={**os.environ, "PATH": path, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.split() == [wanted]


@pytest.mark.parametrize("name", ["size", "show", "view"])
def test_bash_is_told_that_scans_are_files(program: Path, name: str) -> None:
    said = {VARIABLE: "bash_complete", "COMP_WORDS": f"volest {name} mon", "COMP_CWORD": "2"}
    env = {**os.environ, **said, "PYTHONPATH": str(Path(__file__).parents[2])}
    ran = subprocess.run([program], env=env, capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["file,mon"]
