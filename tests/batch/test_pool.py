"""Workers: whatever becomes of one, the others go on, and the results are those of one worker."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.batch.small import fill, formula_ml, sized, unruly, without_times
from volest.batch.workers import FAULT, LEAST_MEMORY_MB, Limits, check_limits
from volest.errors import UsageError
from volest.result import Result
from volest.settings import Settings

ROOT = Path(__file__).parents[2]
TWO = Limits(workers=2, seconds_each=60.0)


def unruly_run(folder: Path, names: list[str], limits: Limits = TWO) -> dict[str, Result]:
    paths = [folder / f"{name}.stl" for name in names]
    for path in paths:
        path.write_bytes(b"x")
    results = sized(paths, Settings(), limits=limits, size_scan=unruly)
    assert [result.scan for result in results] == list(map(str, paths))
    return dict(zip(names, results, strict=True))


def test_results_do_not_depend_on_the_number_of_workers(tmp_path: Path) -> None:
    paths = fill(tmp_path, 7)
    (tmp_path / "bad.stl").write_bytes(b"nonsense")
    paths.insert(3, tmp_path / "bad.stl")
    serial = sized(paths, here=True)
    for workers in (1, 2, 3):
        side_by_side = sized(paths, limits=Limits(workers=workers))
        assert without_times(side_by_side) == without_times(serial)
    volumes = [result.volume_ml for result in serial if result.volume_ml is not None]
    # facets of 33 lines across hold 0.15 % less than the smooth bowl
    assert volumes == pytest.approx([formula_ml(number) for number in range(7)], rel=0.003)


def test_paths_mean_the_same_in_a_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path / "day", 2)
    monkeypatch.chdir(tmp_path)  # processes are started where the program once was
    results = sized([Path("day/bowl-0.stl"), Path("day/bowl-1.stl")], limits=TWO)
    assert [(one.scan, one.outcome) for one in results] == [
        ("day/bowl-0.stl", "measured"),
        ("day/bowl-1.stl", "measured"),
    ]


def test_lost_workers_cost_a_row_each(tmp_path: Path) -> None:
    names = ["a", "killed", "b", "crash", "c", "killed-too", "d", "e"]
    rows = unruly_run(tmp_path, names)
    assert [name for name in names if rows[name].code == FAULT] == ["killed", "crash", "killed-too"]
    assert "SIGKILL" in str(rows["killed"].reason)
    assert "ZeroDivisionError: none of us" in str(rows["crash"].reason)


def test_a_scan_whose_worker_was_lost_by_accident_is_tried_again(tmp_path: Path) -> None:
    rows = unruly_run(tmp_path, ["a", "once", "b"])
    assert {row.outcome for row in rows.values()} == {"measured"}


def test_a_scan_that_hangs_is_ended(tmp_path: Path) -> None:
    rows = unruly_run(tmp_path, ["a", "hung", "b", "c"], Limits(workers=2, seconds_each=2.0))
    assert "not done after 2 s" in str(rows["hung"].reason)
    assert [rows[name].outcome for name in "abc"] == ["measured"] * 3


def test_a_scan_that_eats_memory_is_ended(tmp_path: Path) -> None:
    rows = unruly_run(tmp_path, ["a", "greedy", "b"], Limits(workers=2, memory_mb=500))
    assert rows["greedy"].code == "too-large"
    assert "the 500 MB that a worker may take" in str(rows["greedy"].reason)
    assert "--memory" in str(rows["greedy"].reason)
    assert [rows[name].outcome for name in "ab"] == ["measured"] * 2


@pytest.mark.parametrize(
    "limits",
    [
        Limits(workers=0),
        Limits(memory_mb=LEAST_MEMORY_MB - 1),
        Limits(seconds_each=0.0),
        Limits(seconds_each=float("nan")),
    ],
)
def test_limits_that_mean_nothing_are_refused(limits: Limits) -> None:
    with pytest.raises(UsageError, match="leave it out"):
        check_limits(limits)


def test_one_scan_starts_no_processes(tmp_path: Path) -> None:
    (path,) = fill(tmp_path, 1)
    code = (
        "import sys; from pathlib import Path; from tests.batch.small import sized;"
        f"print(sized([Path({str(path)!r})])[0].outcome, 'pebble' in sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert ran.stdout.split() == ["measured", "False"]


@pytest.mark.parametrize(
    "of", ["_posixsubprocess.fork_exec", "multiprocessing.popen_forkserver.Popen._launch"]
)
def test_a_computer_that_starts_no_more_processes_is_told_in_a_line(
    tmp_path: Path, of: str
) -> None:
    fill(tmp_path / "scans", 3)
    module, _, name = of.partition(".Popen.") if "Popen" in of else of.partition(".")
    owner = f"{module}.Popen" if "Popen" in of else module
    code = (
        f"import errno, {module}\n"
        "def fail(*_):\n    raise BlockingIOError(errno.EAGAIN, 'no more')\n"
        f"{owner}.{name} = fail\n"
        "from volest.cli.main import main\n"
        "if __name__ == '__main__': main()\n"
    )
    words = ["size", tmp_path / "scans", "--out", tmp_path / "out", "--no-sheet", "--workers", "2"]
    ran = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert ran.returncode == 2, ran.stderr
    assert "Traceback" not in ran.stderr
    assert "fewer --workers" in ran.stderr
