"""A real scheduler and two real workers on this computer, one of them killed in the middle."""

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.batch.small import QUICK, fill, sized, unruly, without_times
from tests.bench.one_cluster import Running, cluster_of
from volest.batch.find import Found, Place, place_of
from volest.batch.workers import Limits
from volest.errors import UsageError
from volest.result import Result
from volest.run import Request, run

ROOT = Path(__file__).parents[2]
SCANS = 40


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Running]:
    with cluster_of(2, tmp_path) as running:
        yield running


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_changes_nothing(tmp_path: Path, cluster: Running) -> None:
    workers = cluster.workers
    files = fill(tmp_path / "scans", SCANS)
    places: list[Place] = [place_of(f"file://{file}") for file in files]
    done = 0

    def kill_one(result: Result) -> None:
        nonlocal done
        assert result.outcome == "measured", result.reason
        done += 1
        if done == SCANS // 4:
            workers[0].send_signal(signal.SIGKILL)

    far = sized(places, on_result=kill_one, cluster=cluster)
    assert workers[0].wait(10) == -signal.SIGKILL
    assert workers[1].poll() is None
    assert without_times(far, by_name=True) == without_times(sized(files, here=True), by_name=True)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGSTOP, signal.SIGKILL])
def test_a_scheduler_that_falls_silent_ends_the_run_with_what_is_done(
    tmp_path: Path, cluster: Running, number: signal.Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("volest.batch.workers.PATIENCE_S", 12.0)  # of 30, on a busy computer
    files, out = fill(tmp_path / "scans", SCANS), tmp_path / "out"
    done = 0

    def silence(_result: Result) -> None:
        nonlocal done
        done += 1
        if done == SCANS // 4:
            cluster.scheduler.send_signal(number)

    begin = time.monotonic()
    request = Request(settings=QUICK, found=Found(scans=files), out=out, cluster=cluster)
    report = run(request, silence)
    assert time.monotonic() - begin < 120.0
    assert report.stopped
    assert "does not answer" in str(report.failed)
    assert "goes on from here" in str(report.failed)
    assert report.faults == 0
    told = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert len(told["scans"]) == told["stopped"]["done"] == report.done >= SCANS // 4
    again = run(Request(settings=QUICK, found=Found(scans=files), out=out, here=True))
    assert again.reused == report.done
    assert without_times(list(again.results or ())) == without_times(sized(files, here=True))


@pytest.mark.slow
def test_a_scan_that_hangs_on_a_worker_is_ended(tmp_path: Path, cluster: Running) -> None:
    paths = [tmp_path / f"{name}.stl" for name in ("a", "hung", "killed", "b")]
    for path in paths:
        path.write_bytes(b"x")
    limits = Limits(seconds_each=3.0)
    rows = sized(list[Place](paths), cluster=cluster, limits=limits, size_scan=unruly)
    assert [row.outcome for row in rows] == ["measured", "refused", "refused", "measured"]
    assert "not done after 3 s" in str(rows[1].reason)
    assert "SIGKILL" in str(rows[2].reason)
    assert all(worker.poll() is None for worker in cluster.workers)


def test_a_scheduler_that_is_not_there(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("volest.batch.workers.PATIENCE_S", 1.0)
    (path,) = fill(tmp_path, 1)
    with pytest.raises(UsageError, match="no scheduler at"):
        sized([path], cluster="tcp://127.0.0.1:9")
