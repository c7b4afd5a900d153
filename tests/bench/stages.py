"""What each stage of one measurement costs, in processor time of all its threads.

Run: python tests/bench/stages.py; peers.py runs it too. Writes its table into docs/performance.md.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.marked_part import write_between  # noqa: E402 - path above
from tests.bench.solids import arch, write_stl  # noqa: E402 - path above
from volest import pipeline  # noqa: E402 - path above
from volest.settings import Settings  # noqa: E402 - path above

STAGES = (
    "read_scan", "whole_scan", "find_pose", "orient_surface", "height_map_of_columns",
    "find_footprint", "find_rim", "find_base_line", "find_void", "close_unseen", "find_air",
    "find_volume", "find_clock", "find_trim", "find_doubts", "find_uncertainty",
)  # fmt: skip
PAGE = ROOT / "docs" / "performance.md"
TRIANGLES, TURNS = 500_000, 9
WAYS = (("never", "numpy"), ("always", "compiled"))


def main() -> None:
    """Measure, print and write the table."""
    triangles, _ = arch(TRIANGLES)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.stl"
        write_stl(triangles, path)
        text = stage_table(path, TURNS)
    print(text)
    write_between(PAGE, "stages", f"\n{text}\n")


def stage_table(path: Path, turns: int) -> str:
    """Measure a scan so many times both ways and return a table of the medians."""
    spent = {}
    for switch, name in WAYS:
        with patch.dict(os.environ, {"VOLEST_COMPILED": switch}):
            spent[name] = _spent_ms(path, turns)
    load = os.getloadavg()[0]
    title = f"Arch of {TRIANGLES:,} triangles, default settings, medians of {turns} turns"
    lines = [f"{title}, load {load:.1f} on {os.cpu_count()} cores.", ""]
    lines += ["| stage | numpy, ms | compiled, ms |"]
    lines.append("|---|---|---|")
    lines += [
        f"| {stage} | {spent['numpy'][stage]:.1f} | {spent['compiled'][stage]:.1f} |"
        for stage in (*STAGES, "whole")
    ]
    return "\n".join(lines)


def _spent_ms(path: Path, turns: int) -> dict[str, float]:
    spent: dict[str, list[float]] = {stage: [] for stage in (*STAGES, "whole")}

    def timed(stage: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **named: Any) -> Any:
            start = time.process_time()
            answer = call(*args, **named)
            spent[stage].append(time.process_time() - start)
            return answer

        return wrapped

    whole = timed("whole", pipeline.size_scan)
    stages: dict[str, Any] = {name: timed(name, getattr(pipeline, name)) for name in STAGES}
    with patch.multiple(pipeline, **stages):
        for _ in range(turns + 1):
            whole(path, Settings())
    return {stage: float(np.median(times[1:])) * 1000.0 for stage, times in spent.items()}


if __name__ == "__main__":
    main()
