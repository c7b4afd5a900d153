"""What each stage of one measurement costs, in processor time of the thread that runs it."""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from volest import pipeline
from volest.settings import Settings

STAGES = (
    "read_scan", "spread_samples", "find_pose", "find_skin", "relief_of_columns", "find_footprint",
    "find_rim", "find_base_line", "find_rooms", "find_air", "find_volume", "find_clock",
    "find_trim", "find_doubts", "find_margin",
)  # fmt: skip
WAYS = (("never", "numpy"), ("always", "compiled"))


def stage_table(path: Path, turns: int) -> str:
    """Measure a scan so many times both ways and return a table of the medians.

    Parameters
    ----------
    path : Path
        The scan.
    turns : int
        How often.

    Returns
    -------
    str
        Lines of Markdown.
    """
    spent = {}
    for switch, name in WAYS:
        with patch.dict(os.environ, {"VOLEST_COMPILED": switch}):
            spent[name] = _spent_ms(path, turns)
    lines = ["### Stages, default settings", "", "| stage | numpy, ms | compiled, ms |"]
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
            start = time.thread_time()
            answer = call(*args, **named)
            spent[stage].append(time.thread_time() - start)
            return answer

        return wrapped

    whole = timed("whole", pipeline.size_scan)
    stages: dict[str, Any] = {name: timed(name, getattr(pipeline, name)) for name in STAGES}
    with patch.multiple(pipeline, **stages):
        for _ in range(turns + 1):
            whole(path, Settings())
    return {stage: float(np.median(times[1:])) * 1000.0 for stage, times in spent.items()}
