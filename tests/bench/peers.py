"""Time volest and other ways to measure the same solids, turn by turn, and write the tables.

Run: python tests/bench/peers.py [--rounds N] [--most SECONDS] [--sizes N ...] [--ways WAY ...]
Needs: pip install -e '.[bench]'

Each way runs in a process of its own, with a time limit, so that one that crashes or stalls ends
alone. The ways take turns in every round; figures are medians over all turns of all rounds.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.marked_part import write_between  # noqa: E402 - path above
from tests.bench.solids import arch, arch_ml, bowl, bowl_ml, write_stl  # noqa: E402 - path above
from tests.bench.stages import PAGE  # noqa: E402 - path above
from tests.bench.stages import main as stages  # noqa: E402 - path above
from tests.bench.ways import WAYS  # noqa: E402 - path above

TITLES = {
    "bytes": "read the bytes (`np.fromfile`)",
    "load": "trimesh.load, default (merging)",
    "load plain": "trimesh.load, process=False",
    "core": "volest: columns and exact sum, from arrays",
    "given plane": "volest: whole measurement, plane given",
    "default": "volest: whole measurement, defaults",
    "manifold3d boolean": "manifold3d boolean",
    "embree rays": "trimesh with embree rays, 0.2 mm",
    "point-cloud-utils rays": "point-cloud-utils rays, 0.2 mm",
    "VTK stencil": "VTK image stencil, 0.2 mm",
    "trimesh voxels": "trimesh voxelized and filled, 0.2 mm",
}
SIZES = [100_000, 500_000, 2_000_000]
SLOW = ("manifold3d boolean", "embree rays", "point-cloud-utils rays", "VTK stencil")
PACKAGES = ("numpy", "scipy", "scikit-image", "numba", "trimesh", "manifold3d", "pyvista", "vtk",
            "embreex", "point-cloud-utils")  # fmt: skip
Found = dict[str, dict[str, Any]]


def main() -> None:
    """Run all, print the tables and write them into the page."""
    parser = argparse.ArgumentParser(description="Time volest beside its peers.")
    parser.add_argument("--rounds", type=int, default=3, help="rounds in which all take turns")
    parser.add_argument("--most", type=float, default=60.0, help="seconds a process may take")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES, help="triangles of arches")
    parser.add_argument("--ways", nargs="+", default=list(WAYS), choices=list(WAYS), help="which")
    parser.add_argument("--dry", action="store_true", help="print, and leave the page as it is")
    asked = parser.parse_args()
    parts = [machine()]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.stl"
        truth_ml = arch_ml()
        for size in asked.sizes:
            triangles, plane = arch(size)
            write_stl(triangles, path)
            found = turns(path, plane, asked.rounds, asked.most, asked.ways)
            parts.append(table(f"Arch, {len(triangles):,} triangles", found, truth_ml))
            _keep(parts, dry=asked.dry)
        triangles, plane = bowl(SIZES[1])
        write_stl(triangles, path)
        found = turns(path, plane, asked.rounds, asked.most, asked.ways)
        parts.append(table(f"Bowl, {len(triangles):,} triangles", found, bowl_ml()))
    _keep(parts, dry=asked.dry)
    if not asked.dry:
        stages()


def _keep(parts: list[str], *, dry: bool) -> None:
    """Print the last table and write all so far, so that a run cut off is not lost."""
    print(parts[-1], flush=True)
    if not dry:
        write_between(PAGE, "one scan", "\n" + "\n\n".join(parts) + "\n")


def turns(
    path: Path, plane: np.ndarray[Any, Any], rounds: int, most_s: float, ways: list[str]
) -> Found:
    """Run every way in every round; one that failed once is not asked again."""
    found: Found = {}
    for turn in range(rounds):
        for way in ways:
            if turn and ("why" in found[way] or found[way]["slow"]):
                continue
            got = one_way(way, path, plane, 1 if way in SLOW else 7, most_s)
            if "why" in got:
                found[way] = got
                continue
            held = found.setdefault(way, {**got, "seconds": [], "work_s": [], "slow": False})
            held["seconds"] += got["seconds"]
            held["work_s"] += got["work_s"]
            held["slow"] = max(got["seconds"]) > most_s / 8.0
            held["peak_mb"] = max(held["peak_mb"], got["peak_mb"])
    return found


def one_way(
    way: str, path: Path, plane: np.ndarray[Any, Any], count: int, most_s: float
) -> dict[str, Any]:
    """Run one way in its own process and return what it printed, or why it did not."""
    command = [sys.executable, str(ROOT / "tests" / "bench" / "ways.py"), way, str(path)]
    command += [",".join(repr(float(part)) for part in plane), str(count)]
    try:
        run = subprocess.run(command, capture_output=True, text=True, timeout=most_s, check=False)
    except subprocess.TimeoutExpired:
        return {"why": f"stopped after {most_s:.0f} s"}
    for line in run.stdout.splitlines():
        if line.startswith('{"seconds"'):
            got: dict[str, Any] = json.loads(line)
            return got
    return {"why": (run.stderr.strip().splitlines() or ["crashed"])[-1][:60]}


def table(title: str, found: Found, truth_ml: float) -> str:
    """Write one table: times as ratios to three denominators, error and peak memory."""
    base = {way: _median_s(found.get(way, {})) for way in ("bytes", "load", "load plain")}
    lines = [
        f"### {title}",
        "",
        "| way | ms (quarters) | work, ms | / bytes | / load | / load plain | error, % | MB |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for way, got in found.items():
        if "why" in got:
            lines.append(f"| {TITLES[way]} | {got['why']} | | | | | | |")
            continue
        quarters = np.quantile(np.array(got["seconds"]) * 1000.0, [0.25, 0.5, 0.75])
        work_s = float(np.median(got["work_s"]))
        ratios = " | ".join(f"{work_s / value:.3g}" for value in base.values())
        error = "" if got["ml"] is None else f"{100.0 * (got['ml'] / truth_ml - 1.0):+.5f}"
        span = f"{quarters[1]:.1f} ({quarters[0]:.1f}-{quarters[2]:.1f}) | {1000.0 * work_s:.1f}"
        lines.append(f"| {TITLES[way]} | {span} | {ratios} | {error} | {got['peak_mb']:.0f} |")
    return "\n".join(lines)


def _median_s(got: dict[str, Any]) -> float:
    return float(np.median(got["work_s"])) if "work_s" in got else float("nan")


def machine() -> str:
    """Describe the machine and what runs on it."""
    cpus = Path("/proc/cpuinfo")
    lines = cpus.read_text(encoding="utf-8").splitlines() if cpus.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    packages = ", ".join(f"{name} {_version(name)}" for name in PACKAGES)
    return (
        f"Machine: {os.cpu_count()} cores, {names[0] if names else platform.machine()}; "
        f"{platform.system()}, Python {platform.python_version()}; {packages}. "
        f"Load while it ran: {os.getloadavg()[0]:.1f} at the start. Warm: imports done, one turn "
        "before those that count. Ratios are of work, the processor time of all threads, which "
        "other programs disturb less than the clock. MB: peak of the whole process."
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "missing"


if __name__ == "__main__":
    main()
