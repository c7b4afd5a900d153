"""Loops shared out among threads: every triangle once, in order, and the same sums as alone."""

import multiprocessing
import os

import numpy as np
import pytest

from volest.scan import compiling
from volest.scan.compiling import in_parts


def ends(triangles: int) -> list[tuple[int, int]]:
    return in_parts(lambda run: (run.start, run.stop), triangles)


@pytest.mark.parametrize("threads", [1, 2, 3, 9])
@pytest.mark.parametrize("triangles", [0, 1, 49_999, 50_000, 100_000, 333_333])
def test_every_triangle_is_in_one_run(
    threads: int, triangles: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(threads)))
    runs = ends(triangles)
    assert [begin for begin, _ in runs] == [0, *(end for _, end in runs[:-1])]
    assert runs[-1][1] == triangles
    assert len(runs) <= min(threads, compiling.MOST_THREADS)
    assert len(runs) == 1 or min(end - begin for begin, end in runs) >= compiling.LEAST_TRIANGLES


def test_results_come_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1, 2, 3})
    values = np.random.default_rng(1).random(400_000)
    parts = in_parts(lambda run: values[run].copy(), len(values))
    assert len(parts) == 4
    assert np.array_equal(np.concatenate(parts), values)


def test_a_worker_takes_one_thread() -> None:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        assert pool.apply(_runs_of_a_worker) == 1


def _runs_of_a_worker() -> int:
    return len(ends(10_000_000))
