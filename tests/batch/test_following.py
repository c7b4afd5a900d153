"""Saved base lines stay with their scans, by content, and patterns with names."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

import volest
from tests.batch.small import bowl_stl
from volest.batch.find import find, follow
from volest.cli.main import volest_group
from volest.scan.decision import Decision, decision_path, has_decision, write_decision

LINE = Decision(point_mm=(0.0, 0.0, -4.0), normal=(0.0, 0.0, 1.0))


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    """Give a scan with a base line 4 mm under its rim, in a folder with two others."""
    day = tmp_path / "day"
    day.mkdir()
    for number, name in enumerate(("a.stl", "b.stl", "c.stl")):
        (day / name).write_bytes(bowl_stl(number))
    write_decision(day / "a.stl", LINE)
    return day / "a.stl"


def volumes(folder: Path) -> dict[str, float | None]:
    results = volest.size_folder(folder, pitch_mm=1.0)
    return {Path(one.scan).name: one.volume_ml for one in results}


@pytest.mark.parametrize("new", ["z.stl", "done/a.stl", "done/deep/z.stl"])
def test_a_base_line_follows_its_scan(saved: Path, new: str) -> None:
    before = volumes(saved.parent)["a.stl"]
    moved = saved.parent / new
    moved.parent.mkdir(exist_ok=True, parents=True)
    saved.rename(moved)
    assert volumes(saved.parent)[moved.name] == before
    assert decision_path(moved).is_file()
    assert not decision_path(saved).exists()


def test_it_follows_up_and_to_each_of_two(saved: Path) -> None:
    deep = saved.parent / "deep"
    deep.mkdir()
    shutil.move(decision_path(saved), deep)
    shutil.copy(saved, saved.with_name("twin.stl"))
    found = follow(find([saved.parent]))
    assert [scan.name for _, scan in found.followed] == ["a.stl", "twin.stl"]
    assert not found.lost


def test_one_named_scan_is_followed_in_its_folder(saved: Path) -> None:
    before = volest.measure(saved, pitch_mm=1.0).volume_ml
    moved = saved.rename(saved.with_name("z.stl"))
    assert volest.measure(moved, pitch_mm=1.0).volume_ml == before


def test_a_base_line_without_a_scan_is_told(saved: Path) -> None:
    saved.unlink()
    words = ["size", str(saved.parent), "--pitch", "1"]
    for more in ([], ["--dry"]):
        told = CliRunner().invoke(volest_group, [*words, *more]).stderr
        assert "no scan here for the base line saved in a.stl.decision.toml" in told
    assert decision_path(saved).exists()
    saved.with_name("d.stl").write_bytes(bowl_stl(0))
    told = CliRunner().invoke(volest_group, words).stderr
    assert "the base line saved in a.stl.decision.toml follows its scan, d.stl" in told


def test_a_dry_run_moves_nothing(saved: Path) -> None:
    saved.rename(saved.with_name("z.stl"))
    CliRunner().invoke(volest_group, ["size", str(saved.parent), "--dry"])
    assert decision_path(saved).exists()


def test_one_that_has_its_own_keeps_it(saved: Path) -> None:
    other = saved.with_name("twin.stl")
    shutil.copy(saved, other)
    write_decision(other, Decision(point_mm=(0.0, 0.0, -2.0), normal=(0.0, 0.0, 1.0)))
    own = decision_path(other).read_bytes()
    saved.unlink()
    found = follow(find([saved.parent]))
    assert found.lost == [decision_path(saved)]
    assert decision_path(other).read_bytes() == own


def test_patterns_mind_no_capitals_and_one_that_fits_nothing_is_told(saved: Path) -> None:
    saved.rename(saved.with_name("c101-OPP-lower.stl"))
    lab = saved.with_name("lab.toml")
    lab.write_text("[habits]\nstone_for = ['*-opp*=type-3', '*-bite*=type-2']\n")
    ran = CliRunner().invoke(volest_group, ["size", str(saved.parent), "--lab", str(lab)])
    assert "type-3" in ran.stdout
    assert f"stone_for '*-bite*=type-2' in {lab} fits no scan" in ran.stderr
    assert "*-opp*" not in ran.stderr
    settings = volest.settings_for(stones_for={"*-OPP*": "type-3"})
    assert settings.for_scan("c101-opp.stl").stone == "type-3"


def test_a_scan_where_nobody_may_look_stops_no_other(
    saved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def looked(scan: Path) -> bool:
        if scan.parent.name == "shut":
            raise PermissionError(13, "Permission denied", str(scan))
        return has_decision(scan)

    monkeypatch.setattr("volest.batch.find.has_decision", looked)
    renamed = saved.rename(saved.with_name("z.stl"))
    shut = saved.parent / "shut" / "a.stl"
    found = follow(find([shut, saved.parent]))
    assert [scan.name for scan in found.scans] == ["b.stl", "c.stl", "a.stl", "z.stl"]
    assert decision_path(renamed).exists()
