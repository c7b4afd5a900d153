"""Scans from the input, results as lines, and help that shows first what is used daily."""

import json
import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from volest.cli.main import volest_group
from volest.cli.options import Command

SAMPLES = Path(__file__).parents[2] / "sample_meshes"
STL, PLY = SAMPLES / "b0422-lower-left-quadrant.stl", SAMPLES / "b0439-lower-open-heel.ply"
COMMANDS = list(volest_group.list_commands(click.Context(volest_group)))


def call(*words: str, given: bytes | None = None) -> Result:
    return CliRunner().invoke(volest_group, list(words), input=given)


def bare(line: str) -> dict[str, object]:
    """Leave out what a second run changes: the file's name and the time."""
    record = json.loads(line)
    return {key: value for key, value in record.items() if key not in {"scan", "seconds"}}


@pytest.mark.parametrize("path", [STL, PLY], ids=["stl", "ply"])
def test_a_scan_on_the_input_is_measured_like_its_file(path: Path) -> None:
    piped = call("size", "-", "--json-lines", given=path.read_bytes())
    named = call("size", str(path), "--json-lines")
    assert piped.exit_code == named.exit_code == 0
    assert bare(piped.stdout) == bare(named.stdout)
    shown = (call("show", "-", given=path.read_bytes()), call("show", str(path)))
    here, there = (one.stdout.partition("\n\n")[2] for one in shown)  # under the scan's name
    assert here == there != ""


def test_lines_hold_what_the_document_holds() -> None:
    run = call("size", str(STL), str(PLY), "--json-lines", "--quiet")
    assert run.stderr == ""
    whole = json.loads(call("size", str(STL), str(PLY), "--json", "-").stdout)["scans"]
    lines = sorted(run.stdout.splitlines(), key=lambda line: str(json.loads(line)["scan"]))
    assert [bare(line) for line in lines] == [bare(json.dumps(scan)) for scan in whole]


def test_nothing_on_the_input_is_refused() -> None:
    run = call("size", "-", given=b"")
    assert run.exit_code == 1
    assert "REFUSED" in run.stdout.upper()


def test_two_things_on_one_output_are_refused() -> None:
    run = call("size", str(STL), "--json-lines", "--csv", "-")
    assert run.exit_code == 2
    assert run.stdout == ""


@pytest.mark.parametrize("names", [["-h", "--help"], ["--help", "-h"]])
def test_help_stands_with_the_other_options(names: list[str]) -> None:
    known = volest_group.get_command(click.Context(volest_group), "log")
    assert known is not None
    # Older clicks name the option of help in any order; a command made anew asks for its own.
    command = Command("log", params=known.params)
    text = command.get_help(click.Context(command, help_option_names=names))
    assert "-h, --help" in text.split("Daily options:")[-1]
    assert not [line for line in text.splitlines() if line == "Options:"]


@pytest.mark.parametrize("name", COMMANDS)
def test_all_options_are_one_word_away(name: str) -> None:
    command = volest_group.get_command(click.Context(volest_group), name)
    assert command is not None
    options = {option.opts[-1] for option in command.params if isinstance(option, click.Option)}
    told = call(name, "-h")
    assert told.exit_code == 0, told.exception
    short = told.stdout
    assert short == call(name, "--help").stdout
    shown = set(re.findall(r"(?<= )--[a-z-]+", short.split("Daily options:")[-1]))
    if options <= shown:
        return
    assert "--help-all" in shown
    assert len(short.splitlines()) <= 60  # a screen
    assert options <= set(re.findall(r"(?<= )--[a-z-]+", call(name, "--help-all").stdout))
