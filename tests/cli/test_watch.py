"""`volest watch`: what a person reads of each scan that arrives."""

import shutil
from pathlib import Path
from typing import Any

import pytest
from rich.cells import cell_len

from tests.batch.small import bowl_stl
from tests.report.invented import DIFFER, HEEL, measured, refused
from volest.batch.workers import Engine
from volest.cli.console import say
from volest.cli.watch import _teller
from volest.result import Result
from volest.run import Request, Run
from volest.settings import Settings


def watched(folder: Path, *results: Result, **settings: Any) -> Run:
    """Open a run that finds these results, by the names of the scans, and tells them."""
    made = {result.scan: result for result in results}
    request = Request(settings=Settings(**settings), size_scan=lambda scan, _: made[scan.name])
    day = Run(request, folder, say=say)
    day.tell = _teller(day)
    return day


@pytest.fixture(params=[80, 50])
def width(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setenv("COLUMNS", str(request.param))
    return int(request.param)


def arrive(day: Run, *scans: Path) -> None:
    day.take(list(scans), [], Engine())
    day.update()


def test_notes_are_told_in_words_that_fit(
    width: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = "b0417-upper-full-arch.stl"
    arrive(watched(tmp_path, measured(name, notes=(HEEL, DIFFER))), tmp_path / name)
    told = capsys.readouterr().out
    assert max(map(cell_len, told.splitlines())) <= width
    plain = " ".join(told.split())
    assert plain.startswith(f"{name} 52.3 (51.0-53.7) mL, water ")
    for note in (HEEL, DIFFER):
        assert f"{note.code}: {note.text} Do: {note.do}" in plain
    assert not any(line.strip().startswith(("mL", "g,")) for line in told.splitlines())


def test_a_scan_that_changed_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results = [measured("a.stl", 40.0), measured("a.stl", 31.0), refused("a.stl")]
    sized = iter(results)
    request = Request(settings=Settings(), size_scan=lambda *_: next(sized))
    day = Run(request, tmp_path)
    day.tell = _teller(day)
    for _ in results:
        arrive(day, tmp_path / "a.stl")
    first, second, third = (
        " ".join(part.split()) for part in capsys.readouterr().out.split("a.stl")[1:]
    )
    assert first.startswith("40.0 (39.0-41.0) mL, water ")
    assert second.startswith("sized again (before: 40.0 (39.0-41.0) mL): 31.0 (")
    assert third.startswith("sized again (before: 31.0 (30.2-31.8) mL): REFUSED: found 0 bytes")


def test_a_scan_that_another_program_holds_is_tried_again_and_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    scan = tmp_path / "a.stl"
    scan.write_bytes(bowl_stl(1))

    def held(_: Path) -> Any:
        raise PermissionError(13, "held by another process")

    with Run(Request(settings=Settings(pitch_mm=1.0)), tmp_path) as day:
        day.tell = _teller(day)
        with monkeypatch.context() as only_here:
            only_here.setattr("volest.scan.reading.opened", held)
            for _ in range(2):
                assert day.take([scan], [], Engine()) == [scan]
        assert day.take([scan], [], Engine()) == []
    first, second = capsys.readouterr().out.split("a.stl")[1:]
    assert "REFUSED" in first
    assert " ".join(second.split()).startswith("sized again (before: refused): ")


def test_one_scan_under_two_names_is_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, other = tmp_path / "a.stl", tmp_path / "b.stl"
    one.write_bytes(b"a scan")
    shutil.copy(one, other)
    day = watched(tmp_path, measured("a.stl"), measured("b.stl"))
    arrive(day, one)
    assert capsys.readouterr().err == ""
    arrive(day, other)
    arrive(day, other)
    told = capsys.readouterr().err.splitlines()
    assert told == ["the same scan in a.stl, b.stl; mix for it once, or export the wrong one again"]


def test_the_stone_is_named_where_there_are_several(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for stones_for, said in (((), False), ((("b*", "type-3"),), True)):
        day = watched(tmp_path, measured("a.stl"), stones_for=stones_for)
        arrive(day, tmp_path / "a.stl")
        assert (" g type-4, scoops" in " ".join(capsys.readouterr().out.split())) is said


def test_a_scan_that_was_renamed_stands_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old, new = tmp_path / "a.stl", tmp_path / "b.stl"
    old.write_bytes(b"a scan")
    day = watched(tmp_path, measured("a.stl"), measured("b.stl"))
    arrive(day, old)
    assert (day.found.scans, day.found.told) == ([old], [])
    old.rename(new)
    arrive(day, new)
    assert (day.found.scans, day.found.told) == ([new], [])
    (tmp_path / "sub").mkdir()
    below = new.rename(tmp_path / "sub" / "b.stl")
    arrive(day, below)
    assert (day.found.scans, day.found.told) == ([below], [])
    told = capsys.readouterr().err.splitlines()
    assert told == ["a.stl is b.stl now", "b.stl is sub/b.stl now"]


def test_a_scan_that_is_renamed_stands_under_its_old_name_until_it_is_sized(
    tmp_path: Path,
) -> None:
    old, new = tmp_path / "a.stl", tmp_path / "b.stl"
    old.write_bytes(b"a scan")
    hands = iter([measured("a.stl"), None, measured("b.stl")])

    def sizing(*_: object) -> Result:
        made = next(hands)
        if made is None:
            raise KeyboardInterrupt
        return made

    day = Run(Request(settings=Settings(), size_scan=sizing), tmp_path)
    arrive(day, old)
    old.rename(new)
    with pytest.raises(KeyboardInterrupt):  # as a person stops the watch
        arrive(day, new)
    assert [one.scan for one in day.write().results] == [str(old)]
    arrive(day, new)
    assert [one.scan for one in day.results] == [str(new)]


def test_the_sheet_is_told_what_lies_beside_the_scans(tmp_path: Path) -> None:
    one, twin, other = tmp_path / "a.stl", tmp_path / "b.stl", tmp_path / "c.3mf"
    for path in (one, twin, other):
        path.write_bytes(b"a scan")
    day = watched(tmp_path, measured("a.stl"), measured("b.stl"))
    arrive(day, one, twin)
    day.take([], [other], Engine())
    day.update()
    not_read = "not read: c.3mf; export scans as STL or PLY, whole"
    assert (day.found.scans, day.found.told) == ([one, twin], [not_read])
    assert day.found.twins == [[one, twin]]
    other.unlink()
    arrive(day, one)
    assert (day.found.scans, day.found.told) == ([one, twin], [])
