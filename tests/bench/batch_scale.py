"""Time and memory of a folder of scans: one worker against two, turn by turn, on the same scans.

Run: python -m tests.bench.batch_scale [SCANS] [--cluster] [--write]

SCANS small impressions (1000 if not said) come from the corpus maker: twenty are made, and the
others are these, shifted, so that no two files are the same. They are sized in blocks of a hundred,
each block by one worker and by two; which goes first changes from block to block, so that whatever
else the computer does meets both. With --cluster, a hundred are also sized by a scheduler with one
and with two workers on this computer. With --write, the tables go into docs/performance.md and
docs/how-to/many-scans.md.
"""

import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from tests.bench.batch_tables import cost_lines, scale_lines
from tests.bench.marked_part import write_between
from tests.bench.one_cluster import cluster_of
from tests.corpus.case import make
from tests.corpus.files import write
from tests.corpus.mesh import Mesh
from tests.corpus.random_cases import random_case
from volest.batch.find import Found, Place
from volest.batch.workers import Cluster, Engine, Limits, Pool
from volest.run import Request, Run
from volest.settings import Settings

ROOT = Path(__file__).parents[2]
KINDS, BLOCK, MESH_PITCH_MM = 20, 100, 1.8
WIDTHS = (1, 2)
MB = 1e6


def main() -> None:
    """Make the scans, size them, print the tables."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    wanted = numbers[0] if numbers else 1000
    with tempfile.TemporaryDirectory() as folder:
        scans = small_scans(Path(folder) / "scans", wanted)
        print(f"{wanted} scans made, load before: {os.getloadavg()[0]:.1f}", flush=True)
        found = measured(scans, Path(folder))
        if "--cluster" in sys.argv:
            found |= measured_far(scans[:BLOCK], Path(folder))
    scale, cost = scale_lines(found), cost_lines(found)
    print("\n".join([*scale, "", *cost]))
    if "--write" in sys.argv:
        write_between(ROOT / "docs" / "performance.md", "folder of scans", "\n".join(scale))
        write_between(
            ROOT / "docs" / "how-to" / "many-scans.md", "cost of a million", "\n".join(cost)
        )


def small_scans(folder: Path, wanted: int) -> list[Path]:
    """Make impressions as binary STL, twenty kinds of them."""
    folder.mkdir()
    paths = [folder / f"scan-{number:05}.stl" for number in range(wanted)]
    meshes: list[Mesh] = []
    for number, path in enumerate(paths):
        if number < KINDS:
            case = replace(random_case(number).case, pitch_mm=MESH_PITCH_MM)
            meshes.append(make(case).mesh)
        mesh = meshes[number % KINDS]
        shift = 0.013 * (number // KINDS) * np.ones(3)
        write(replace(mesh, vertices=mesh.vertices + shift), path, "stl", f"scan {number}")
    return paths


@dataclass(slots=True, kw_only=True, eq=False)
class Clocks:
    """What one number of workers took so far: time, and processor time of others and its own."""

    seconds: float = 0.0
    others_s: float = 0.0
    own_s: float = 0.0

    @contextmanager
    def running(self) -> Iterator[None]:
        """Count what passes meanwhile."""
        begin, busy, spent = time.perf_counter(), others_s(), mine_s()
        yield
        self.seconds += time.perf_counter() - begin
        self.others_s += others_s() - busy
        self.own_s += mine_s() - spent


def measured(scans: list[Path], folder: Path) -> dict[str, Any]:
    """Size all of them with one worker and with two, in turns."""
    clocks = {n: Clocks() for n in WIDTHS}
    with ExitStack() as stack:
        outs = {n: folder / f"out-{n}" for n in WIDTHS}
        days = {n: stack.enter_context(Run(_request(scans, out))) for n, out in outs.items()}
        memory = _in_turns(scans, days, clocks, stack)
        begin = time.perf_counter()
        days[2].write()
        writing_s = time.perf_counter() - begin
        memory.append((len(scans), *rss_mb()))
        results = days[2].reached()
        refused = sum(result.outcome == "refused" for result in results)
    cores = len(os.sched_getaffinity(0))
    return {
        "scans": len(scans),
        "refused": refused,
        "mean_mb": float(np.mean([scan.stat().st_size for scan in scans])) / MB,
        "seconds": {n: clock.seconds for n, clock in clocks.items()},
        "memory": memory,
        "writing_s": writing_s,
        "kept_kb": _kept_bytes(outs[2]) / len(scans) / 1e3,
        "others": {n: clock.others_s / clock.seconds / cores for n, clock in clocks.items()},
        "processor": {n: clock.own_s for n, clock in clocks.items()},
        "cores": cores,
    }


def _in_turns(
    scans: list[Path], days: dict[int, Run], clocks: dict[int, Clocks], stack: ExitStack
) -> list[tuple[int, float, float]]:
    """Size block after block, and give the memory taken after each."""
    pools: dict[int, Pool] = {}
    memory: list[tuple[int, float, float]] = []
    for at, start in enumerate(range(0, len(scans), BLOCK)):
        block: list[Place] = list(scans[start : start + BLOCK])
        for n in WIDTHS if at % 2 == 0 else WIDTHS[::-1]:
            with clocks[n].running():
                if n not in pools:  # starting the workers counts
                    pools[n] = stack.enter_context(Pool(Limits(workers=n), len(scans)))
                days[n].size(block, pools[n])
        memory.append((start + len(block), *rss_mb()))
        print(f"{memory[-1]}  {[round(clock.seconds, 1) for clock in clocks.values()]}", flush=True)
    return memory


def measured_far(scans: list[Path], folder: Path) -> dict[str, Any]:
    """Size some through a scheduler with one worker and with two."""
    seconds = {}
    for n in WIDTHS:
        with cluster_of(n, folder) as address, Cluster(address) as engine:
            _sized(scans[:4], folder / f"warm-{n}", engine)  # the workers read their libraries
            begin = time.perf_counter()
            _sized(scans, folder / f"far-{n}", engine)
            seconds[n] = time.perf_counter() - begin
    return {"far_scans": len(scans), "far_seconds": seconds}


def _sized(scans: list[Path], out: Path, engine: Engine) -> None:
    with Run(_request(scans, out)) as day:
        day.size(list[Place](scans), engine)


def _request(scans: list[Path], out: Path) -> Request:
    return Request(settings=Settings(), found=Found(scans=scans), out=out)


def rss_mb() -> tuple[float, float]:
    """Give the memory of this process, and of the largest of its workers."""
    me = psutil.Process()
    others = [child.memory_info().rss for child in me.children(recursive=True)]
    return me.memory_info().rss / MB, max(others) / MB


def others_s() -> float:
    """Give the processor time that all other programs have taken since the computer started."""
    whole = psutil.cpu_times()
    busy = sum(whole) - whole.idle - whole.iowait - whole.guest - whole.guest_nice
    return float(busy - mine_s())


def mine_s() -> float:
    """Give the processor time of this process and its workers."""
    whole = 0.0
    for process in (psutil.Process(), *psutil.Process().children(recursive=True)):
        spent = process.cpu_times()
        whole += spent.user + spent.system
    return whole


def _kept_bytes(out: Path) -> int:
    return sum(file.stat().st_size for file in out.rglob("*") if file.is_file())


if __name__ == "__main__":
    main()
