"""The loop that deals scans out: order, tries, room, and workers with other code."""

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path

import pytest

from tests.report.invented import measured
from volest.batch.workers import FAULT, Engine, Task, TaskResult, run_tasks
from volest.errors import UsageError
from volest.settings import Settings

PATHS = [Path(f"{name}.stl") for name in "abcde"]


class LostError(Exception):
    """What an engine says of a worker that has gone."""


class Invented(Engine):
    """An engine that does what it is told, and writes down what was given to it."""

    def __init__(self, answer: Callable[[str, int], TaskResult], room: int = 1) -> None:
        self.answer, self.room = answer, room
        self.given: list[str] = []

    def submit(self, task: Task) -> "Future[TaskResult]":
        name = Path(task.place).name
        self.given.append(name)
        future: Future[TaskResult] = Future()
        try:
            future.set_result(self.answer(name, self.given.count(name)))
        except LostError as fault:
            future.set_exception(fault)
        return future

    def told(self, fault: BaseException) -> tuple[str, bool]:
        return f"lost: {fault}", True


def plain(name: str, tries: int) -> TaskResult:
    assert tries == 1
    return TaskResult(result=measured(name))


def test_each_scan_is_given_out_once_and_bears_the_name_it_was_given() -> None:
    engine = Invented(plain, room=2)
    done = dict(run_tasks(PATHS, Settings(), engine))
    assert engine.given == [path.name for path in PATHS]
    assert [done[k].result.scan for k in range(5)] == [str(path) for path in PATHS]


def test_no_more_than_the_room_is_ahead_of_what_was_taken() -> None:
    engine = Invented(plain, room=2)
    rows = run_tasks(PATHS, Settings(), engine)
    next(rows)
    assert len(engine.given) == 2


def test_what_is_known_is_not_given_out() -> None:
    engine = Invented(plain)
    known = TaskResult(result=measured("c.stl"), kept=True)
    done = dict(
        run_tasks(
            PATHS, Settings(), engine, known=lambda place: known if place.name == "c.stl" else None
        )
    )
    assert engine.given == ["a.stl", "b.stl", "d.stl", "e.stl"]
    assert done[2] is known


@pytest.mark.parametrize(("times", "code"), [(1, None), (2, FAULT)])
def test_a_lost_scan_is_tried_once_more(times: int, code: str | None) -> None:
    def losing(name: str, tries: int) -> TaskResult:
        if name == "b.stl" and tries <= times:
            raise LostError(str(tries))
        return TaskResult(result=measured(name))

    engine = Invented(losing, room=2)
    done = dict(run_tasks(PATHS, Settings(), engine))
    assert engine.given.count("b.stl") == 2
    assert [done[k].result.code for k in range(5)] == [None, code, None, None, None]


def test_a_worker_with_other_code_is_refused() -> None:
    engine = Invented(lambda name, _: TaskResult(result=measured(name), maker="other"))
    with pytest.raises(UsageError, match="other code"):
        list(run_tasks(PATHS, Settings(), engine))
