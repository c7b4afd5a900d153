"""Small scans that are sized quickly, and sizers that do what scans should not make volest do."""

import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.report.invented import measured
from tests.scan.writers import stl_binary
from volest.batch.find import Found, Place
from volest.report.record import as_text, document
from volest.result import Result
from volest.run import Request, run
from volest.settings import Settings

QUICK = Settings(pitch_mm=1.0)


def sized(
    scans: Sequence[Place],
    settings: Settings = QUICK,
    on_result: Callable[[Result], None] | None = None,
    **more: Any,
) -> list[Result]:
    """Size scans in a run that keeps nothing; `here=True` is one after the other."""
    request = Request(settings=settings, found=Found(scans=scans), **more)
    return list(run(request, on_result).results or ())


VOLEST = [sys.executable, "-m", "volest"]


def bowl_stl(number: int, across: int = 33) -> bytes:
    """Give a round bowl as binary STL, each number a little wider.

    A paraboloid of radius r and depth h holds pi/2 r^2 h (constructionwork.com/resource/volume).
    """
    r, h = radius_mm(number), 12.0
    line = np.linspace(-1.4 * r, 1.4 * r, across)
    x, y = np.meshgrid(line, line)
    corners = np.stack([x, y, np.minimum(h * (x**2 + y**2) / r**2 - h, 0.0)], axis=-1)
    a, b, c, d = corners[:-1, :-1], corners[:-1, 1:], corners[1:, 1:], corners[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], -2), np.stack([a, c, d], -2)]).reshape(-1, 3, 3)
    return stl_binary(faces)


def radius_mm(number: int) -> float:
    return 20.0 + 0.1 * number


def formula_ml(number: int) -> float:
    return float(np.pi / 2 * radius_mm(number) ** 2 * 12.0 / 1000.0)


def fill(folder: Path, count: int) -> list[Path]:
    """Put bowls into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"bowl-{number}.stl" for number in range(count)]
    for number, path in enumerate(paths):
        path.write_bytes(bowl_stl(number))
    return paths


def without_times(results: list[Result], *, by_name: bool = False) -> str:
    """Write results so that two runs can be compared; by name where their folders differ."""
    plain = [replace(one, seconds=0.0) for one in results]
    if by_name:
        plain = [replace(one, scan=Path(one.scan).name) for one in plain]
    return as_text(document(plain, QUICK))


def unruly(path: Path, settings: Settings) -> Result:
    """Do what the name of the file says; workers find it by its name."""
    assert isinstance(settings, Settings)
    if "killed" in path.name:
        os.kill(os.getpid(), signal.SIGKILL)
    if "once" in path.name and not path.with_suffix(".seen").exists():
        path.with_suffix(".seen").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if "hung" in path.name:
        time.sleep(600.0)
    if "greedy" in path.name:
        held = []
        while True:
            held.append(bytearray(50_000_000))
    if "crash" in path.name:
        raise ZeroDivisionError("none of us")
    return measured(str(path))
