"""Read the STL and PLY files below a folder, and compare with two other readers.

    python -m tests.hostile.odd_files FOLDER [--page docs/explanation/trust.md]

Made for unpacked source packages of mesh libraries, whose test data hold what programs of many
kinds have written. Each file must be read or refused in one line; where it is read, the number of
triangles and the bounds must be those of two other libraries: trimesh, and VTK through pyvista, in
a process of its own since it may crash. None of these files is kept here.
"""

import argparse
import json
import subprocess
import sys
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from tests.hostile.run_mutants import write_page
from volest.errors import ScanError
from volest.scan.reading import _read_file

BEGIN, END = "<!-- odd files begin -->", "<!-- odd files end -->"
CLOSE = 1e-5  # of the size: some readers keep 32 bits
VTK = """
import json, sys
import pyvista
for path in sys.argv[1:]:
    mesh = pyvista.read(path).extract_surface(algorithm=None).triangulate()
    print(json.dumps([int(mesh.n_cells), [float(x) for x in mesh.bounds]]), flush=True)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one reader found: triangles, and lows and highs; none where it read nothing."""

    triangles: int = 0
    bounds: tuple[float, ...] = ()
    words: str = ""

    def same(self, other: "Reading") -> bool:
        if not self.bounds or not other.bounds:
            return False
        size = max(np.ptp(np.array(self.bounds).reshape(3, 2), axis=1).max(), 1e-30)
        off = np.abs(np.array(self.bounds) - np.array(other.bounds)).max()
        return self.triangles == other.triangles and bool(off <= CLOSE * size)


def of_corners(corners: "np.ndarray[Any, Any]") -> Reading:
    points = corners.reshape(-1, 3)
    bounds = np.stack([points.min(axis=0), points.max(axis=0)], axis=1).ravel()
    return Reading(triangles=len(corners), bounds=tuple(float(x) for x in bounds))


def by_volest(path: Path) -> Reading:
    """Read without the check of size: these show planes and rabbits, not impressions."""
    try:
        with np.errstate(invalid="ignore", over="ignore"):
            (triangles, *_), notes = _read_file(path)
    except ScanError as fault:
        return Reading(words=f"refused: {fault.code}")
    found = of_corners(triangles)
    words = ", ".join(["read", *(note.code for note in notes)])
    return Reading(triangles=found.triangles, bounds=found.bounds, words=words)


def by_trimesh(path: Path) -> Reading:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            mesh = trimesh.load_mesh(path, process=False)
        return of_corners(np.asarray(mesh.triangles))
    except Exception as fault:  # noqa: BLE001  # whatever another library raises
        return Reading(words=type(fault).__name__)


def by_vtk(*paths: Path) -> list[Reading]:
    """Read some files in one process; from one on that brings it down none is read."""
    words = [sys.executable, "-c", VTK, *map(str, paths)]
    done = subprocess.run(words, capture_output=True, check=False, timeout=120)
    lines = [line for line in done.stdout.splitlines() if line.startswith(b"[")]
    read = [(count, tuple(bounds)) for count, bounds in map(json.loads, lines)]
    lost = [Reading(words=f"exit {done.returncode}")] * (len(paths) - len(read))
    return [*(Reading(triangles=count, bounds=bounds) for count, bounds in read), *lost]


def verdict(ours: Reading, others: Sequence[Reading]) -> str:
    """Say whether readers agree, counting only those that read the file."""
    if not ours.bounds:
        return "-"
    read = [other for other in others if other.bounds]
    alike = sum(ours.same(other) for other in read)
    return f"{alike} of {len(read)} agree"


def table(folder: Path) -> Iterator[str]:
    yield "| File | volest | triangles | other readers |"
    yield "|---|---|---|---|"
    paths = (path for path in sorted(folder.rglob("*")) if path.suffix.lower() in {".stl", ".ply"})
    for path in paths:
        ours = by_volest(path)
        others = [by_trimesh(path), *by_vtk(path)]
        where = path.relative_to(folder)
        name = f"{where.parts[0].split('-')[0]}: {where.name}"
        yield f"| {name} | {ours.words} | {ours.triangles or '-'} | {verdict(ours, others)} |"


def main() -> None:
    words = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    words.add_argument("folder", type=Path)
    words.add_argument("--page", type=Path, help="page to write the table into")
    asked = words.parse_args()
    lines = list(table(asked.folder))
    print("\n".join(lines))
    if asked.page is not None:
        write_page(asked.page, lines, BEGIN, END)


if __name__ == "__main__":
    main()
