"""When the compiled loops are taken, and that nothing breaks where they cannot be.

Loops shared out among threads: every triangle once, in order, and the same sums as alone.
"""

import io
import multiprocessing
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from volest.errors import ScanError
from volest.scan import compiling
from volest.scan.checks import LOOPS, Looked, areas_mm2, look_over
from volest.scan.compiling import in_parts
from volest.scan.stl import RECORD, read_stl_binary

SAMPLE = Path(__file__).parents[2] / "sample_meshes" / "b0422-lower-left-quadrant.stl"
SIZE = "import sys; from volest.pipeline import size_scan; from volest.settings import Settings; "
SAY = "from pathlib import Path; print(size_scan(Path(sys.argv[1]), Settings()).volume_ml)"


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(compiling.SWITCH, raising=False)
    monkeypatch.setattr(compiling, "_spent", [])
    monkeypatch.setattr(compiling, "_modules", {})
    monkeypatch.setattr(compiling, "is_compiled", lambda: True)


def test_a_single_scan_goes_the_numpy_way() -> None:
    compiling.count_scan(80_000)
    assert compiling.loops(LOOPS) is None


def test_a_folder_changes_over_once_loading_would_have_paid() -> None:
    pytest.importorskip("numba")
    scans = 0
    while compiling.loops(LOOPS) is None:
        compiling.count_scan(80_000)
        scans += 1
    assert 2 <= scans <= 10


def test_a_large_scan_is_worth_loading_for() -> None:
    pytest.importorskip("numba")
    compiling.count_scan(2_000_000)
    assert compiling.loops(LOOPS) is not None


def test_either_way_can_be_forced(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("numba")
    monkeypatch.setenv(compiling.SWITCH, "always")
    assert compiling.loops(LOOPS) is not None
    monkeypatch.setenv(compiling.SWITCH, "never")
    compiling.count_scan(30_000_000)
    assert compiling.loops(LOOPS) is None


def test_both_ways_look_over_triangles_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("numba")
    triangles = np.random.default_rng(1).normal(size=(20_000, 3, 3)) * 30.0
    triangles[5:9, 1] = 0.0
    for source, factor in ((triangles, 1.0), (triangles.astype(np.float32), 25.4)):
        answers = []
        for way in ("always", "never"):
            monkeypatch.setenv(compiling.SWITCH, way)
            answers.append(look_over(source, factor))
        (found, areas, keys, zeros), (found_too, areas_too, keys_too, zeros_too) = answers
        assert np.array_equal(found, source.astype(np.float64) * factor)
        assert found.tobytes() == found_too.tobytes()
        assert areas.tobytes() == areas_too.tobytes()
        assert keys.tobytes() == keys_too.tobytes()
        assert zeros == zeros_too == 4


def test_without_numba_numpy_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv(compiling.SWITCH, "always")
    for name in [LOOPS, "numba"]:
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setitem(sys.modules, "numba", None)
    with caplog.at_level("INFO", logger="volest"):
        areas = areas_mm2(np.array([[[0.0, 0, 0], [3, 0, 0], [0, 4, 0]]]))
    assert areas.tolist() == [6.0]
    assert "going on in numpy" in caplog.text


@pytest.mark.slow
def test_a_place_that_cannot_be_written_is_no_fault(tmp_path: Path) -> None:
    pytest.importorskip("numba")
    nowhere = tmp_path / "file"
    nowhere.write_text("no folder")
    answers = [_said({"NUMBA_CACHE_DIR": str(nowhere / "below"), compiling.SWITCH: "always"})]
    answers.append(_said({compiling.SWITCH: "never"}))
    assert float(answers[0]) == pytest.approx(float(answers[1]), rel=1e-12)


def test_the_first_run_waits_for_no_compiler(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("numba")
    monkeypatch.undo()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    begun: list[str] = []
    monkeypatch.setattr(compiling, "start_apart", begun.append)
    compiling.compiled_mark.cache_clear()
    try:
        assert not compiling.is_compiled()
        assert not compiling.is_compiled()  # and it is begun once
        mark = compiling.compiled_mark()
        assert mark is not None
        mark.touch()
        assert compiling.is_compiled()
    finally:
        compiling.compiled_mark.cache_clear()
    assert begun == ["volest.compile"]


@pytest.mark.slow
def test_compiling_leaves_all_loops_and_a_mark(tmp_path: Path) -> None:
    pytest.importorskip("numba")
    places = {"XDG_CACHE_HOME": str(tmp_path / "mark"), "NUMBA_CACHE_DIR": str(tmp_path / "loops")}
    env = {**os.environ, **places}
    subprocess.run([sys.executable, "-m", "volest.compile"], env=env, check=True)
    assert list((tmp_path / "mark" / "volest").glob("compiled-*"))
    before = {file.name for file in (tmp_path / "loops").rglob("*.nbi")}
    _said({**places, compiling.SWITCH: "always"})
    assert {file.name for file in (tmp_path / "loops").rglob("*.nbi")} == before != set()


def _said(more: dict[str, str]) -> str:
    run = subprocess.run(
        [sys.executable, "-c", SIZE + SAY, str(SAMPLE)],
        env={**os.environ, **more},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


def ends(triangles: int) -> list[tuple[int, int]]:
    return in_parts(lambda run: (run.start, run.stop), triangles)


def test_a_file_shared_out_among_threads_gives_the_same_bits(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pytest.importorskip("numba")
    rows = np.zeros(250_000, RECORD)  # a block for all threads, and a rest
    rows["corners"] = np.random.default_rng(1).normal(size=(len(rows), 3, 3)) * 30.0
    rows["corners"][[7, 120_000, 249_999], 1] = 0.0
    head = bytes(80) + np.uint32(len(rows)).tobytes()

    def looked(threads: int, way: str) -> Looked:
        monkeypatch.setattr(compiling, "cores", lambda: threads)
        monkeypatch.setenv(compiling.SWITCH, way)
        data = head + rows.tobytes()
        return look_over(read_stl_binary(io.BytesIO(data), head, len(data))[0])

    answers = [looked(1, "never"), looked(1, "always"), looked(3, "always")]
    said = [(x.tobytes(), area.tobytes(), key.tobytes(), zeros) for x, area, key, zeros in answers]
    assert said[0] == said[1] == said[2]
    assert said[0][3] == 3
    rows["corners"][[9, 110_000, 220_000], 2, 1] = np.nan
    for threads, way in ((1, "never"), (3, "always")):
        with pytest.raises(ScanError, match="found 3 of 250,000 triangles"):
            looked(threads, way)


@pytest.mark.parametrize("threads", [1, 2, 3, 9])
@pytest.mark.parametrize("triangles", [0, 1, 49_999, 50_000, 100_000, 333_333])
def test_every_triangle_is_in_one_run(
    threads: int, triangles: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(compiling, "cores", lambda: threads)
    runs = ends(triangles)
    assert [begin for begin, _ in runs] == [0, *(end for _, end in runs[:-1])]
    assert runs[-1][1] == triangles
    assert len(runs) <= min(threads, compiling.MOST_THREADS)
    assert len(runs) == 1 or min(end - begin for begin, end in runs) >= compiling.LEAST_TRIANGLES


def test_results_come_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiling, "cores", lambda: 4)
    values = np.random.default_rng(1).random(400_000)
    parts = in_parts(lambda run: values[run].copy(), len(values))
    assert len(parts) == 4
    assert np.array_equal(np.concatenate(parts), values)


def test_a_worker_takes_one_thread() -> None:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        assert pool.apply(_runs_of_a_worker) == 1


def _runs_of_a_worker() -> int:
    return len(ends(10_000_000))
