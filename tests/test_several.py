"""Two impressions in one file, from the command line to the last file that is written.

Two bowls lie side by side in a scan. A paraboloid of radius r and depth h holds pi/2 r^2 h
(constructionwork.com/resource/volume); their facets hold a little less.
"""

import csv
import io
import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner, Result

import volest
from tests.batch.small import bowl_stl, formula_ml
from tests.scan.writers import stl_binary
from volest.cli.main import volest_group
from volest.pipeline import size_scan
from volest.report.record import schema
from volest.scan.decision import read_decision
from volest.scan.reading import read_scan, scan_from
from volest.settings import Settings
from volest.view.editor import BaseLineEditor
from volest.view.page import CardMaker, read_card

SMALL, LARGE = 0, 30  # numbers of bowls
TRUTH = [formula_ml(SMALL), formula_ml(LARGE)]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("VOLEST_JOURNAL", raising=False)
    parts = []
    for number in (SMALL, LARGE):
        Path("one.stl").write_bytes(bowl_stl(number))
        parts.append(read_scan("one.stl").triangles)
    both = np.concatenate([parts[0], parts[1] + np.array([75.0, 0.0, 0.0])])
    (tmp_path / "day").mkdir()
    (tmp_path / "day" / "two.stl").write_bytes(stl_binary(both))
    Path("one.stl").rename(tmp_path / "day" / "one.stl")
    return tmp_path


def call(*words: str) -> Result:
    # In this process, without workers: they are tested in tests/batch.
    return CliRunner().invoke(volest_group, list(words), obj=size_scan)


def entries(file: str) -> list[dict[str, Any]]:
    whole = json.loads(Path(file).read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema()).validate(whole)
    return [scan for scan in whole["scans"] if scan["scan"].endswith("two.stl")]


def test_each_has_its_entry_its_row_and_its_card() -> None:
    run = call("size", "day", "--json", "a.json", "--csv", "a.csv", "--sheet", "a.html")
    assert run.exit_code == 0, run.output
    assert "two.stl #1" in run.stdout
    assert "two.stl #2" in run.stdout
    assert "one.stl #" not in run.stdout
    assert "3 impressions in 2 scans: 1 measured, 2 measured with notes" in run.stdout
    both = entries("a.json")
    assert [one["cavity"] for one in both] == [1, 2]
    assert [one["volume_ml"] for one in both] == [pytest.approx(ml, rel=0.02) for ml in TRUTH]
    text = io.StringIO(Path("a.csv").read_bytes().decode(), newline="")
    assert [row["cavity"] for row in csv.DictReader(text)] == ["1", "1", "2"]
    page = Path("a.html").read_text(encoding="utf-8")
    assert page.count('<article class="card"') == 3
    assert 'data-scan="two.stl #2"' in page


def test_cards_are_of_their_own_impression() -> None:
    first, draw = CardMaker(pictures=False)(Path("day/two.stl"), Settings())
    for one in (first, *first.others):
        card = read_card(draw(), one.cavity)
        assert card is not None
        at_rest = {row[0]: row[1] for row in card["moves"]}[0.0]
        assert at_rest == pytest.approx(one.volume_ml, abs=1e-3)


def test_a_run_that_is_taken_up_again_keeps_them_together() -> None:
    assert call("size", "day/two.stl", "--out", "out", "--no-sheet").exit_code == 0
    before = entries("out/results.json")
    again = call("size", "day", "--out", "out", "--no-sheet")
    assert again.exit_code == 0, again.output
    assert "1 unchanged since an earlier run" in again.stderr
    assert entries("out/results.json") == before
    assert [one["cavity"] for one in before] == [1, 2]


def test_the_sheet_of_a_folder_is_made_of_cards_that_were_kept() -> None:
    for reused in (False, True):
        run = call("size", "day/two.stl", "--out", "out")
        assert run.exit_code == 0, (run.output, run.exception)
        assert ("unchanged" in run.stderr) is reused
        page = Path("out/sheet.html").read_text(encoding="utf-8")
        assert page.count('"solid"') == 2


def test_they_may_share_a_mix_and_be_booked() -> None:
    call("size", "day/two.stl", "--share", "--json", "shared.json")
    whole = json.loads(Path("shared.json").read_text(encoding="utf-8"))
    (mix,) = whole["shared"]["mixes"]
    assert mix["scans"] == ["day/two.stl", "day/two.stl"]
    assert sorted(mix["cavities"]) == [1, 2]
    booked = call(
        "log", "--journal", "lab.db", "--from", "shared.json", "--cavity", "1", "--left", "5"
    )
    assert booked.exit_code == 0, booked.output
    assert "two.stl #1" in booked.stderr
    assert "two.stl #2" in booked.stderr


def test_a_pour_is_booked_for_one_of_them() -> None:
    call("size", "day/two.stl", "--json", "a.json")
    log = ("log", "--journal", "lab.db", "--from", "a.json", "--scan", "two.stl", "--left", "5")
    unclear = call(*log)
    assert unclear.exit_code == 2
    assert "--cavity" in unclear.stderr
    for cavity in ("1", "2"):
        booked = call(*log, "--cavity", cavity)
        assert booked.exit_code == 0, booked.output
        assert "same file" not in booked.stderr
    text = call("log", "--journal", "lab.db", "--csv", "-").stdout_bytes.decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["scan"] for row in rows] == ["two.stl #1", "two.stl #2"]
    volumes = [one["mix"]["mix_ml"] - one["mix"]["waste_ml"] for one in entries("a.json")]
    assert [float(row["volume_ml"]) for row in rows] == [pytest.approx(v) for v in volumes]


def test_a_command_on_one_scan_takes_the_one_that_is_meant() -> None:
    first = call("show", "day/two.stl")
    assert "2 impressions; this is 1" in first.stderr
    assert call("show", "day/two.stl", "--cavity", "1").stdout == first.stdout
    assert call("show", "day/two.stl", "--cavity", "2").stdout != first.stdout
    assert call("show", "day/two.stl", "--cavity", "3").exit_code == 1


def test_a_program_gets_the_first_with_the_others_on_it() -> None:
    first = volest.measure("day/two.stl")
    assert [first.volume_ml, *(one.volume_ml for one in first.others)] == [
        pytest.approx(ml, rel=0.02) for ml in TRUTH
    ]
    assert "one-of-several" in {note.code for note in first.notes}
    mesh = scan_from(read_scan("day/two.stl").triangles)
    assert len(volest.measure(mesh, name="mesh").others) == 1
    listed = volest.size_folder("day/two.stl")
    assert [(Path(one.scan).name, one.cavity) for one in listed] == [("two.stl", 1), ("two.stl", 2)]
    assert not any(one.others for one in listed)


def test_a_base_line_is_saved_for_one_and_leaves_that_of_the_other() -> None:
    path = Path("day/two.stl")
    heights = {1: -2.0, 2: -3.0}
    unmoved = {number: BaseLineEditor(path, Settings(), number).result for number in heights}
    for number, height_mm in heights.items():
        handling = BaseLineEditor(path, Settings(), number)
        handling.move_by(height_mm=height_mm)
        expected_ml = handling.figures().volume_ml
        assert handling.save().result.volume_ml == pytest.approx(expected_ml, rel=0.01)
    saved = read_decision(path)
    assert saved is not None
    assert len(saved.others) == 1
    for number in heights:
        result = BaseLineEditor(path, Settings(), number).result
        assert result.base_line is not None
        assert result.base_line.how == "saved"
        assert (result.volume_ml or 0.0) < 0.9 * (unmoved[number].volume_ml or 0.0)
