"""The stones that `volest lab` lists, and the page that lists the same figures."""

import json
from pathlib import Path

import click
from click.testing import CliRunner, Result

from volest.cli.lab import LOST, lab_command
from volest.errors import UsageError
from volest.stone.reference import BENCH_FIGURES, STEPS, STONE_TYPES, WINDOWS

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "stones.md"


def run(*words: str) -> Result:
    # A command keeps the words for help of the first group that calls it: the same as volest's.
    words_for_help = {"help_option_names": ["-h", "--help"]}
    group = click.Group("bench", commands=[lab_command], context_settings=words_for_help)
    return CliRunner().invoke(group, ["lab", *words])


def test_every_figure_stands_under_its_stone_with_unit_mark_and_source() -> None:
    text = run().stdout
    assert max(len(line) for line in text.splitlines()) <= 80
    blocks = [" ".join(block.split()) for block in text.split("\n\n")]
    for kind in STONE_TYPES.values():
        (block,) = (block for block in blocks if block.startswith(f"{kind.name}, "))
        for name, figure in kind.figures():
            assert f"{name} {figure} {figure.unit} {figure.mark}: {figure.source}" in block


def test_long_times_are_told_in_hours_and_days() -> None:
    text = run().stdout
    assert "7 days" in text
    assert "10080" not in text


def test_a_figure_stays_in_one_line_however_long_the_name_of_a_currency_is(tmp_path: Path) -> None:
    lab, currency = tmp_path / "lab.toml", "clearing-points-of-the-county-" + "x" * 20
    stone = 'name = "ivory"\nlike = "type-3"\nprice_per_kg = 3\n'
    lab.write_text(f'currency = "{currency}"\n[[stone]]\n{stone}', encoding="utf-8")
    lines = run("--lab", str(lab)).stdout.splitlines()
    assert f"  {'price':<28}3 {currency} per kg" in lines


def test_json_holds_the_same_figures(tmp_path: Path) -> None:
    target = tmp_path / "stones.json"
    assert "type-5" in run("--json", str(target)).stdout
    record = json.loads(target.read_text(encoding="utf-8"))
    assert [entry["stone"] for entry in record["stones"]] == list(STONE_TYPES)
    assert json.loads(run("--json", "-").stdout) == record
    usual = record["stones"][3]["figures"][0]
    # 100 g to 20 mL: common practice, no source.
    assert (usual["value"], usual["unit"]) == (20.0, "mL per 100 g")
    assert usual["mark"] == "common practice, no source"


def test_a_started_lab_file_is_read_back_and_never_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "lab.toml"
    assert run("--new", str(target)).exit_code == 0
    text = target.read_text(encoding="utf-8")
    assert run("--new", "-").stdout == text
    assert run("--lab", str(target)).stdout.splitlines()[1:] == run().stdout.splitlines()[1:]
    assert isinstance(run("--new", str(target)).exception, UsageError)
    assert isinstance(run("--new", "b.toml", "--json", "-").exception, UsageError)
    assert target.read_text(encoding="utf-8") == text


def test_the_labs_own_stones_stand_among_the_types(tmp_path: Path) -> None:
    target = tmp_path / "lab.toml"
    target.write_text('[[stone]]\nname = "ivory"\nlike = "type-3"\nwp = 29.5\n', encoding="utf-8")
    told = " ".join(run("--lab", str(target)).stdout.split())
    assert "usual W/P 29.5 mL per 100 g the lab's own" in told.partition("ivory, ")[2]


def test_the_labs_scoop_stands_in_place_of_the_usual_one(tmp_path: Path) -> None:
    target = tmp_path / "lab.toml"
    target.write_text("[bench]\nscoop_g = 46\n[[stone]]\nname = 'type-3'\nscoop_g = 43\n", "utf-8")
    told = " ".join(run("--lab", str(target)).stdout.split())
    assert told.count("one scoop 46 g the lab's own") == 1
    assert told.count("one scoop 43 g the lab's own") == 1
    assert "one scoop 50 g" not in told


def test_the_page_lists_every_figure() -> None:
    page = PAGE.read_text(encoding="utf-8")
    rows = [(k.name, *pair) for k in STONE_TYPES.values() for pair in k.figures()]
    rows += [("all", *pair) for pair in BENCH_FIGURES.items()]
    for window in WINDOWS.values():
        rows.append((window.material, "pour not before", window.earliest))
        rows.append((window.material, "pour not after", window.latest))
        rows += [] if window.lost is None else [(window.material, LOST, window.lost)]
    for stone, name, figure in rows:
        line = f"| {stone} | {name} | {figure} | {figure.unit} | {figure.mark} | {figure.source} |"
        assert line in page
    for family, steps in STEPS.items():
        for step in steps:
            assert f"| {family} | {step.text} | {step.mark} | {step.source} |" in page
    assert all(window.beyond in page for window in WINDOWS.values())
