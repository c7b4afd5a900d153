"""The command `mix`, run in a small group of its own."""

import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from volest.cli.mix import mix_command
from volest.errors import MixError, UsageError
from volest.settings import Settings
from volest.stone.mix import first_pour


def run(*words: str) -> Result:
    # A command keeps the words for help of the first group that calls it: the same as volest's.
    words_for_help = {"help_option_names": ["-h", "--help"]}
    group = click.Group("bench", commands=[mix_command], context_settings=words_for_help)
    return CliRunner().invoke(group, ["mix", *words])


def test_water_stands_before_powder_and_both_agree_with_the_library() -> None:
    result = run("50")
    made = first_pour(50, Settings())
    assert result.exit_code == 0
    water = result.stdout.index(f"{made.water_ml:.1f} mL")
    assert water < result.stdout.index(f"{made.powder_g:.0f} g")
    weighed = run("54").stdout
    assert "or weigh it" not in result.stdout  # 22 g instead of 22.36 g would be W/P 19.7
    assert "or weigh it: 24 g" in weighed
    assert f"Of it {made.waste_ml:.1f} mL are" in " ".join(result.stdout.split())


def test_three_scoops() -> None:
    # Common practice, no source: three scoops of 50 g, 150 g to 30 mL.
    out = run("60", "--by", "scoop").stdout
    assert "30.0 mL" in out
    assert "150 g" in out
    assert "3 full scoops of 50 g" in out


def test_piped_output_is_plain() -> None:
    out = run("50", "--wp", "25").stdout
    assert "\x1b" not in out
    assert "LOOK" in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_options_reach_the_library(tmp_path: Path) -> None:
    target = tmp_path / "mix.json"
    words = ["--stone", "type 3", "--wp", "29.5", "--waste", "10", "--residue", "4"]
    assert run("80", *words, "--json", str(target)).exit_code == 0
    settings = Settings(stone="type-3", wp_ml_per_100g=29.5, waste_percent=10, residue_ml=4)
    wanted = first_pour(80, settings)
    assert json.loads(target.read_text(encoding="utf-8")) == wanted.as_record()


def test_json_on_stdout_stands_alone_and_notes_go_to_stderr() -> None:
    result = run("50", "--wp", "25", "--json", "-")
    assert json.loads(result.stdout) == first_pour(50, Settings(wp_ml_per_100g=25)).as_record()
    assert "wp-outside" in result.stderr


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        (["0"], MixError),
        (["nan"], MixError),
        (["5000"], MixError),
        (["50", "--wp", "18"], MixError),
        (["50", "--waste", "-1"], MixError),
        (["50", "--residue", "-1"], MixError),
        (["50", "--stone", "marble"], UsageError),
        (["50", "--json", "/no-such-folder/mix.json"], UsageError),
    ],
)
def test_faults_rise_to_the_group(words: list[str], kind: type[Exception]) -> None:
    result = run(*words)
    assert isinstance(result.exception, kind)
    assert result.stdout == ""


@pytest.mark.parametrize("words", [[], ["fifty"], ["50", "--by", "cup"]])
def test_words_that_click_refuses(words: list[str]) -> None:
    assert run(*words).exit_code == 2


def test_the_page_shows_the_card_as_it_is_printed() -> None:
    page = Path(__file__).parents[2] / "docs" / "explanation" / "mix.md"
    amounts, _, _ = run("50").stdout.partition("\n\nBefore")
    assert amounts in page.read_text(encoding="utf-8")
