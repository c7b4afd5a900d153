"""A batch: no scan stops another, and the worst decides the exit code."""

import json
import logging
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import volest
from tests.batch.small import QUICK, fill
from tests.report.invented import measured, refused
from volest.batch.find import Found, find
from volest.batch.workers import FAULT
from volest.dosing import check_settings, dosed
from volest.errors import MixError, UsageError, VolestError
from volest.result import Result
from volest.run import Request, Run, run
from volest.settings import Settings

PATHS = [Path("a.stl"), Path("b.stl"), Path("c.stl")]


def run_of(paths: list[Path], size_scan: Any, settings: Settings = Settings()) -> Run:  # noqa: B008
    request = Request(settings=settings, found=Found(scans=paths), size_scan=size_scan, here=True)
    return run(request)


class Sizer:
    """Stands in for the pipeline; raises what it is given for the second scan."""

    def __init__(self, fault: BaseException | None = None) -> None:
        self.fault = fault

    def __call__(self, path: Path, settings: Settings) -> Result:
        """Size one scan."""
        assert isinstance(settings, Settings)
        if path.name == "b.stl" and self.fault is not None:
            raise self.fault
        return measured(str(path))


def test_results_stand_in_the_order_of_the_paths() -> None:
    seen: list[Result] = []
    request = Request(settings=Settings(), found=Found(scans=PATHS), size_scan=Sizer(), here=True)
    report = run(request, seen.append)
    assert report.results is not None
    assert [result.scan for result in report.results] == ["a.stl", "b.stl", "c.stl"]
    assert seen == list(report.results)
    assert report.exit_code == 0


@pytest.mark.parametrize("fault", [KeyError("gone"), RecursionError("deep")])
def test_a_fault_is_a_row_and_a_trace(fault: Exception, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.ERROR, logger="volest"):
        report = run_of(PATHS, Sizer(fault))
    results = report.results or ()
    assert [result.outcome for result in results] == ["measured", "refused", "measured"]
    assert results[1].reason is not None
    assert results[1].reason.startswith(f"fault in volest: {type(fault).__name__}")
    assert results[1].code == FAULT
    assert results[1].seconds >= 0
    assert "Traceback" in caplog.text
    assert report.exit_code == 4


def test_a_mix_that_cannot_be_made_refuses_its_scan_only() -> None:
    fault = MixError("3000 mL", needed="2000 mL at most", remedy="look at the scan")
    report = run_of(PATHS, Sizer(fault))
    assert [one.reason for one in report.results or ()] == [None, str(fault), None]
    assert report.exit_code == 1


def test_each_scan_gets_its_stone() -> None:
    def dosed_of(path: Path, settings: Settings) -> Result:
        return dosed(measured(str(path)), settings)

    day = Settings(stones_for=(("*-bite*", "type-3"), ("b3*", "type-2")))
    scans = [Path(f"bite/{name}.stl") for name in ("b1", "b1-bite", "b3-bite", "B3")]
    results = run_of(scans, dosed_of, day).results or ()
    found = [f"{Path(one.scan).stem} {one.mix.stone}" for one in results if one.mix is not None]
    # Folders and capitals do not count, and the last pattern holds.
    assert found == ["b1 type-4", "b1-bite type-3", "b3-bite type-2", "B3 type-2"]


def test_one_ratio_for_several_stones_is_refused() -> None:
    with pytest.raises(UsageError, match="several stones"):
        check_settings(Settings(stones_for=(("b*", "type-3"),), wp_ml_per_100g=20.0))


def test_the_keyboard_ends_it_with_what_is_done() -> None:
    report = run_of(PATHS, Sizer(KeyboardInterrupt()))
    assert [result.scan for result in report.results or ()] == ["a.stl"]
    assert (report.stopped, report.done, len(report.found.scans)) == (True, 1, 3)


def test_what_a_stopped_run_wrote_does_not_pass_for_all(tmp_path: Path) -> None:
    def stop(_result: Result) -> None:
        raise KeyboardInterrupt

    texts: list[str] = []
    found, sheet = Found(scans=fill(tmp_path, 3)), tmp_path / "sheet.html"
    request = Request(settings=QUICK, found=found, json=texts.append, sheet=sheet, here=True)
    run(request, stop)
    assert json.loads(texts[0])["stopped"] == {"done": 1, "of": 3}
    assert "Stopped: 1 of 3 scans were done" in sheet.read_text(encoding="utf-8")
    run(request)
    assert "stopped" not in json.loads(texts[1])
    assert "Stopped: " not in sheet.read_text(encoding="utf-8")


def test_worst_scan_decides() -> None:
    rows = {"a": measured("a"), "b": refused("b"), "x": replace(refused("x"), code=FAULT)}

    def code(names: str) -> int:
        return run_of([Path(name) for name in names], lambda path, _: rows[path.name]).exit_code

    assert (code(""), code("ab"), code("xba")) == (0, 1, 4)


@pytest.mark.parametrize("pitch_mm", [0.0, -1.0, 5.0, math.nan, math.inf])
def test_a_pitch_out_of_range_is_refused_before_the_work(pitch_mm: float) -> None:
    with pytest.raises(UsageError, match="pitch"):
        run_of(PATHS, Sizer(), Settings(pitch_mm=pitch_mm))


@pytest.mark.parametrize(
    "settings",
    [
        Settings(stone="marble"),
        Settings(wp_ml_per_100g=5.0),
        Settings(wp_ml_per_100g=math.nan),
        Settings(waste_percent=-1.0),
        Settings(waste_percent=math.inf),
        Settings(residue_ml=math.nan),
    ],
)
def test_a_mix_that_means_nothing_is_refused_before_the_work(settings: Settings) -> None:
    with pytest.raises(VolestError) as caught:
        check_settings(settings)
    assert caught.value.exit_code == 2


def test_what_was_away_for_a_while_is_still_told(tmp_path: Path) -> None:
    other = tmp_path / "case7.obj.bak"
    other.write_bytes(b"x")
    request = Request(settings=QUICK, here=True)
    with Run(request, tmp_path) as day, request.engine(1) as engine:
        day.take([], [other], engine)
        other.rename(tmp_path / "away")  # as on a share that is gone for a minute
        day.take([], [], engine)
        assert not day.found.unread
        (tmp_path / "away").rename(other)
        day.take([], [], engine)
        assert day.found.unread == [other]


def test_a_name_that_no_file_can_have_stops_no_other(tmp_path: Path) -> None:
    (scan,) = fill(tmp_path, 1)
    found = find([scan, tmp_path / ("x" * 300) / "a.stl"])
    codes = [one.code for one in run(Request(settings=QUICK, found=found, here=True)).results]
    assert sorted(codes, key=str) == [None, "unreadable"]
    assert volest.measure("x" * 300 + ".stl").code == "unreadable"
