"""`volest watch`: what a person reads of each scan that arrives."""

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from rich.cells import cell_len

from tests.batch.small import bowl_stl
from tests.report.invented import DIFFER, HEEL, measured, refused
from volest.batch.find import Found
from volest.batch.workers import Engine
from volest.cli.watch import _told_of
from volest.desk.day import Day as Watched
from volest.result import Result
from volest.run import Request, opened
from volest.settings import Settings


class Day:
    """Stands in for the output folder: results by the names of the scans."""

    def __init__(self) -> None:
        self.request = SimpleNamespace(settings=Settings())
        self.results: dict[str, Result] = {}
        self.written = Found()

    def size(self, ready: list[Path], _: object, on_result: Any) -> None:
        for scan in ready:
            on_result(self.results[scan.name])

    def write(self, found: Found) -> SimpleNamespace:
        self.written = found
        return SimpleNamespace(failed=None, damaged=0)


@pytest.fixture
def day() -> Day:
    return Day()


@pytest.fixture(params=[80, 50])
def width(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setenv("COLUMNS", str(request.param))
    return int(request.param)


def arrive(desk: Watched, *scans: Path) -> None:
    desk.take(list(scans), [], Engine())
    desk.write()


def test_notes_are_told_in_words_that_fit(
    day: Day, width: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = "b0417-upper-full-arch.stl"
    day.results = {name: measured(name, notes=(HEEL, DIFFER))}
    arrive(_told_of(cast(Any, day), tmp_path, quiet=False), tmp_path / name)
    told = capsys.readouterr().out
    assert max(map(cell_len, told.splitlines())) <= width
    plain = " ".join(told.split())
    assert plain.startswith(f"{name} 52.3 (51.0-53.7) mL, water ")
    for note in (HEEL, DIFFER):
        assert f"{note.code}: {note.text} Do: {note.do}" in plain
    assert not any(line.strip().startswith(("mL", "g,")) for line in told.splitlines())


def test_a_scan_that_changed_says_so(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = _told_of(cast(Any, day), tmp_path, quiet=False)
    for result in (measured("a.stl", 40.0), measured("a.stl", 31.0), refused("a.stl")):
        day.results = {"a.stl": result}
        arrive(desk, tmp_path / "a.stl")
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

    with opened(Request(settings=Settings(pitch_mm=1.0))) as run:
        desk = _told_of(run, tmp_path, quiet=False)
        with monkeypatch.context() as only_here:
            only_here.setattr("volest.scan.reading.opened", held)
            for _ in range(2):
                assert desk.take([scan], [], Engine()) == [scan]
        assert desk.take([scan], [], Engine()) == []
    first, second = capsys.readouterr().out.split("a.stl")[1:]
    assert "REFUSED" in first
    assert " ".join(second.split()).startswith("sized again (before: refused): ")


def test_one_scan_under_two_names_is_told_once(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, other = tmp_path / "a.stl", tmp_path / "b.stl"
    one.write_bytes(b"a scan")
    shutil.copy(one, other)
    day.results = {path.name: measured(path.name) for path in (one, other)}
    desk = _told_of(cast(Any, day), tmp_path, quiet=True)
    arrive(desk, one)
    assert capsys.readouterr().err == ""
    arrive(desk, other)
    arrive(desk, other)
    told = capsys.readouterr().err.splitlines()
    assert told == ["the same scan in a.stl, b.stl; mix for it once, or export the wrong one again"]


def test_the_stone_is_named_where_there_are_several(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    day.results = {"a.stl": measured("a.stl")}
    for stones_for, said in (((), False), ((("b*", "type-3"),), True)):
        day.request.settings = Settings(stones_for=stones_for)
        arrive(_told_of(cast(Any, day), tmp_path, quiet=False), tmp_path / "a.stl")
        assert (" g type-4, scoops" in " ".join(capsys.readouterr().out.split())) is said


def test_a_scan_that_was_renamed_stands_once(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old, new = tmp_path / "a.stl", tmp_path / "b.stl"
    old.write_bytes(b"a scan")
    day.results = {path.name: measured(path.name) for path in (old, new)}
    desk = _told_of(cast(Any, day), tmp_path, quiet=True)
    arrive(desk, old)
    assert (day.written.scans, day.written.told) == ([old], [])
    old.rename(new)
    arrive(desk, new)
    assert (day.written.scans, day.written.told) == ([new], [])
    (tmp_path / "sub").mkdir()
    below = new.rename(tmp_path / "sub" / "b.stl")
    arrive(desk, below)
    assert (day.written.scans, day.written.told) == ([below], [])
    told = capsys.readouterr().err.splitlines()
    assert told == ["a.stl is b.stl now", "b.stl is sub/b.stl now"]


def test_the_sheet_is_told_what_lies_beside_the_scans(day: Day, tmp_path: Path) -> None:
    one, twin, other = tmp_path / "a.stl", tmp_path / "b.stl", tmp_path / "c.3mf"
    for path in (one, twin, other):
        path.write_bytes(b"a scan")
    day.results = {path.name: measured(path.name) for path in (one, twin)}
    desk = _told_of(cast(Any, day), tmp_path, quiet=True)
    arrive(desk, one, twin)
    desk.take([], [other], Engine())
    desk.write()
    not_read = "not read: c.3mf; export scans as STL or PLY, whole"
    assert (day.written.scans, day.written.told) == ([one, twin], [not_read])
    assert day.written.twins == [[one, twin]]
    other.unlink()
    arrive(desk, one)
    assert (day.written.scans, day.written.told) == ([one, twin], [])
