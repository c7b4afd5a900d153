"""Memory: linear in the triangles, and blind to how far a stray one lies."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.bench.solids import write_stl
from tests.marks import slow
from volest.pipeline import size_scan
from volest.scan.compiling import SWITCH
from volest.scan.reading import read_scan
from volest.settings import Settings

SAMPLE = Path(__file__).parents[2] / "sample_meshes" / "b0422-lower-left-quadrant.stl"
ROOM_MB = 250  # on top of what imports take; measured: 60 to 120
LIMITED = """
import resource, sys
from pathlib import Path
from volest.pipeline import size_scan
from volest.settings import Settings
size_scan(Path(sys.argv[1]), Settings())
held = [line for line in open("/proc/self/status") if line.startswith("VmSize")][0].split()[1]
most = int(held) * 1024 + int(sys.argv[3]) * 1_000_000
resource.setrlimit(resource.RLIMIT_AS, (most, most))
print(size_scan(Path(sys.argv[2]), Settings()).volume_ml)
"""


def with_stray(path: Path, away_mm: float) -> Path:
    """Write the sample with one more triangle of 8 mm2, so far away along all three axes."""
    stray = np.array([[[0.0, 0, 0], [4, 0, 0], [0, 4, 0]]]) + away_mm
    write_stl(np.concatenate([read_scan(SAMPLE).triangles, stray]), path)
    return path


@pytest.mark.parametrize("away_mm", [50_000.0, *slow(400.0, 1500.0)])
def test_a_stray_triangle_moves_nothing(away_mm: float, tmp_path: Path) -> None:
    whole = size_scan(SAMPLE, Settings())
    stray = size_scan(with_stray(tmp_path / "stray.stl", away_mm), Settings())
    assert stray.volume_ml == pytest.approx(whole.volume_ml, rel=1e-3)


@pytest.mark.parametrize("way", ["never", *slow("always")])
def test_a_stray_triangle_takes_no_memory(way: str, tmp_path: Path) -> None:
    path = with_stray(tmp_path / "stray.stl", 50_000.0)
    run = subprocess.run(
        [sys.executable, "-c", LIMITED, str(SAMPLE), str(path), str(ROOM_MB)],
        env={**os.environ, SWITCH: way, "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert float(run.stdout) > 1.0
