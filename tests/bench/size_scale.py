"""What a scan costs by its number of triangles, and which one a computer's memory refuses.

Run: python tests/bench/size_scale.py [--most MILLIONS] [--folder FOLDER]. Each scan is sized by
`volest size` in a process of its own, with nothing kept. Writes tables into docs/performance.md.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.marked_part import write_between  # noqa: E402 - path above
from tests.bench.solids import Array, arch, arch_ml, write_stl  # noqa: E402 - path above

PAGE = ROOT / "docs" / "performance.md"
MILLIONS = (0.1, 0.5, 1, 2, 5, 10, 20, 30)  # the last as many as are read at all
OFTEN, TURNS = 1, 3  # up to so many millions the least of three counts, else one run
COMPUTER_MB = 8000
SHARE = 0.8  # of its memory, for all workers together: docs/how-to/many-scans.md
WORKERS = (1, 2, 4, 8)
WAYS = {"never": "numpy", "always": "compiled"}
BASE_AT_MOST = 1_300_000  # triangles split one by one; more by fours, which needs no list of edges
PIECE = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sized:
    """One run of volest; ``said`` is the scan's entry in its JSON."""

    said: dict[str, object]
    clock_s: float
    work_s: float
    peak_mb: float


# Linux counts a child's peak from that of the process that began it: so it tells its own, proc(5).
WATCHED = """
import atexit, sys
peak = lambda: open("/proc/self/status").read().partition("VmHWM:")[2].split()[0]
atexit.register(lambda: print("peak", peak(), file=sys.stderr))
from volest.cli.main import main
main()
"""


def in_fours(triangles: Array) -> Array:
    """Split each triangle, (n, 3, 3), at the middles of its sides; gives (4 n, 3, 3)."""
    a, b, c = triangles.transpose(1, 0, 2)
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    four = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.concatenate([np.stack(one, axis=1) for one in four])


def write_arch(count: int, path: Path) -> int:
    """Write the arch with about so many triangles, piece by piece; give their number."""
    fours = 0
    while count / 4**fours > BASE_AT_MOST:
        fours += 1
    base, _ = arch(count // 4**fours)
    with path.open("wb") as file:
        file.write(bytes(80) + np.uint32(len(base) * 4**fours).tobytes())
        for start in range(0, len(base), PIECE):
            piece = base[start : start + PIECE]
            for _ in range(fours):
                piece = in_fours(piece)
            write_stl(piece, path.with_suffix(".piece"))
            file.write(path.with_suffix(".piece").read_bytes()[84:])
    path.with_suffix(".piece").unlink()
    return int(len(base) * 4**fours)


def sized(path: Path, way: str, *words: str) -> Sized:
    """Size one scan by the command, and give what its processes took."""
    told = path.with_suffix(".json")
    command = [sys.executable, "-c", WATCHED, "size", str(path), "--json", str(told), *words]
    start, before = time.perf_counter(), os.times()
    surroundings = {**os.environ, "VOLEST_COMPILED": way}
    child = subprocess.run(
        command, capture_output=True, text=True, check=False, cwd=ROOT, env=surroundings
    )
    clock_s, after = time.perf_counter() - start, os.times()
    return Sized(
        said=json.loads(told.read_text(encoding="utf-8"))["scans"][0],
        clock_s=clock_s,
        work_s=sum(after[2:4]) - sum(before[2:4]),
        peak_mb=int(child.stderr.rpartition("peak ")[2]) * 1024 / 1e6,
    )


def off_percent(path: Path) -> float:
    """How far the volume up to a known plane is off an exact boolean of another library."""
    _, plane = arch(0)
    said = sized(path, "always", "--base", f"plane={','.join(map(str, plane))}").said
    return 100.0 * (float(str(said["volume_ml"])) / arch_ml() - 1.0)


def fit_line(name: str, unit: str, counts: list[int], values: list[float]) -> str:
    """Say how a straight line, by least squares of the relative misses, fits."""
    n, y = np.array(counts) / 1e6, np.array(values)
    rows = np.stack([1.0 / y, n / y], axis=1)
    (start, each), *_ = np.linalg.lstsq(rows, np.ones(len(y)), rcond=None)
    off = (start + each * n) / y - 1.0
    worst = int(np.argmax(np.abs(off)))
    return (
        f"{name}: {start:.3g} {unit} and {each:.3g} {unit} a million triangles; this line misses "
        f"most at {n[worst]:.1f} million, by {100 * off[worst]:+.0f} %."
    )


def cost_lines(rows: list[tuple[int, dict[str, Sized], float]]) -> list[str]:
    """The first table, and how straight its columns run; of each row, the miss by a boolean, %."""
    head = ["triangles"]
    for way in WAYS.values():
        head += [f"{way}: peak, MB", "bytes a triangle", "processor time, s", "by the clock, s"]
    lines = [f"| {' | '.join([*head, 'off the boolean, %'])} |", "|---" * (len(head) + 1) + "|"]
    for count, ways, off in rows:
        cells = [f"{count:,}"]
        for one in ways.values():
            cells += [f"{one.peak_mb:.0f}", f"{one.peak_mb * 1e6 / count:.0f}"]
            cells += [f"{one.work_s:.1f}", f"{one.clock_s:.1f}"]
        lines.append(f"| {' | '.join(cells)} | {off:+.5f} |")
    lines.append("")
    counts = [count for count, _, _ in rows]
    for way, name in WAYS.items():
        peaks, works = zip(
            *((ways[way].peak_mb, ways[way].work_s) for _, ways, _ in rows), strict=True
        )
        lines.append(fit_line(f"- Memory, {name}", "MB", counts, list(peaks)))
        lines.append(fit_line(f"- Processor time, {name}", "s", counts, list(works)))
    return lines


def limit_lines(scans: list[tuple[int, Path]]) -> list[str]:
    """The second table: from the largest scan down, the first that each share of memory takes."""
    head = ["way", f"workers of a computer of {COMPUTER_MB / 1000:g} GB", "`--memory` of each"]
    head += ["refused from", "measured up to"]
    lines = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    for way, name in WAYS.items():
        left, refused = list(scans), "none that is read"
        for workers in WORKERS:
            most_mb = int(SHARE * COMPUTER_MB / workers)
            while left:  # what a larger share does not take, a smaller one does not either
                count, path = left[-1]
                said = sized(path, way, "--workers", "1", "--memory", str(most_mb)).said
                print(name, most_mb, count, said["outcome"], said["reason"], file=sys.stderr)
                if said["outcome"] != "refused":
                    break
                assert "more to hold than" in str(said["reason"]), said["reason"]
                refused = f"{count:,}"
                left.pop()
            taken = f"{left[-1][0]:,}" if left else "none"
            lines.append(f"| {name} | {workers} | {most_mb:,} MB | {refused} | {taken} |")
    return lines


def main() -> None:
    words = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    words.add_argument("--most", type=float, default=MILLIONS[-1], help="millions of triangles")
    words.add_argument("--folder", type=Path, help="where the scans are put for a while (3.5 GB)")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        rows, scans = [], []
        for millions in (one for one in MILLIONS if one <= asked.most):
            path = Path(folder) / f"{millions:g}.stl"
            count = write_arch(int(millions * 1e6), path)
            turns = TURNS if millions <= OFTEN else 1
            ways = {}
            for way, name in WAYS.items():
                runs = [sized(path, way) for _ in range(turns)]
                assert {one.said["outcome"] for one in runs} == {"measured"}, runs[0].said["reason"]
                ways[way] = min(runs, key=lambda one: one.work_s)
                print(count, name, ways[way].peak_mb, ways[way].work_s, file=sys.stderr)
            rows.append((count, ways, off_percent(path)))
            scans.append((count, path))
        text = "\n".join([*cost_lines(rows), "", *limit_lines(scans)])
    print(text)
    write_between(PAGE, "size: scan by scan", f"\n{text}\n")


if __name__ == "__main__":
    main()
