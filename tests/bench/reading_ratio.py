"""Time volest, all stages, against trimesh's default load of the same file, turn by turn.

Run: python tests/bench/reading_ratio.py [TRIANGLES]
"""

import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from volest.pipeline import size_scan
from volest.scan.reading import read_scan
from volest.settings import Settings

SAMPLE = Path(__file__).parents[2] / "sample_meshes" / "b0417-upper-full-arch.stl"
TURNS = 9


def main() -> None:
    """Print medians and their ratio for STL and PLY."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 400_000
    triangles = refined(read_scan(SAMPLE).triangles, wanted)
    mesh = trimesh.Trimesh(
        triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3), process=True
    )
    print(f"{len(triangles)} triangles, {TURNS} turns, medians")
    with tempfile.TemporaryDirectory() as folder:
        for suffix in ("stl", "ply"):
            path = Path(folder) / f"arch.{suffix}"
            mesh.export(path)
            mine, peer = _turns(partial(size_scan, path, Settings()), partial(trimesh.load, path))
            ratio = float(np.median(np.array(mine) / np.array(peer)))
            print(
                f"{suffix}: volest {np.median(mine) * 1000:.0f} ms, "
                f"trimesh.load {np.median(peer) * 1000:.0f} ms, ratio {ratio:.2f}"
            )


def refined(triangles: np.ndarray[Any, Any], wanted: int) -> np.ndarray[Any, Any]:
    """Split the longest edges' triangles in two until there are about as many as wanted."""
    while len(triangles) < wanted:
        count = min(len(triangles), wanted - len(triangles))
        edges = np.roll(triangles, -1, axis=1) - triangles
        longest = np.argmax((edges**2).sum(axis=2), axis=1)
        chosen = np.argsort(-(edges**2).sum(axis=2).max(axis=1), kind="stable")[:count]
        a, b, c = (triangles[chosen, (longest[chosen] + k) % 3] for k in range(3))
        middle = (a + b) / 2.0
        rest = np.delete(triangles, chosen, axis=0)
        triangles = np.concatenate(
            [rest, np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)]
        )
    return triangles


def _turns(
    mine: Callable[[], object], peer: Callable[[], object]
) -> tuple[list[float], list[float]]:
    times: tuple[list[float], list[float]] = ([], [])
    for turn in range(TURNS + 1):
        for call, kept in zip((mine, peer), times, strict=True):
            start = time.perf_counter()
            call()
            if turn:  # the first is for warming up
                kept.append(time.perf_counter() - start)
    return times


if __name__ == "__main__":
    main()
