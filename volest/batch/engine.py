"""What sizes scans for a run: this process, processes beside it, or computers elsewhere."""

from concurrent.futures import Future
from typing import Protocol, Self

from volest.batch.limits import Limits
from volest.batch.task import Done, Task, carry_out


class Engine(Protocol):
    """Something that carries tasks out, one after the other or many at a time."""

    @property
    def room(self) -> int:
        """How many tasks may be under way at a time: enough that no worker waits, no more."""

    def submit(self, task: Task) -> "Future[Done]":
        """Take one task."""

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say in words what ended a task, and whether the task may be blameless and tried again."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *fault: object) -> None: ...


class Here:
    """An engine that is this process, one scan after the other: no start-up, no limits."""

    room = 1

    def submit(self, task: Task) -> "Future[Done]":
        """Carry one task out at once."""
        future: Future[Done] = Future()
        future.set_result(carry_out(task))
        return future

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task."""
        return f"{type(fault).__name__}: {fault}", False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        return None


def engine_for(
    scans: int, limits: Limits, *, cluster: str | None = None, here: bool = False
) -> Engine:
    """Choose what sizes the scans of a run: the workers of a scheduler, or processes beside this.

    One scan without limits is sized here, since starting others takes longer than that.
    """
    if cluster is not None:
        from volest.batch.cluster import Cluster

        return Cluster(cluster)
    alone = scans == 1 and limits == Limits()
    if here or alone:
        return Here()
    from volest.batch.pool import Pool

    return Pool(limits, scans)
