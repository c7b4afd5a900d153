"""A real scheduler and two real workers on this computer, one of them killed in the middle."""

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.batch.small import fill, sized, without_times
from tests.bench.one_cluster import Running, cluster_of
from volest.batch.find import Place, place_of
from volest.errors import UsageError
from volest.result import Result

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


def test_a_scheduler_that_is_not_there(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("volest.batch.workers.PATIENCE_S", 1.0)
    (path,) = fill(tmp_path, 1)
    with pytest.raises(UsageError, match="no scheduler at"):
        sized([path], cluster="tcp://127.0.0.1:9")
