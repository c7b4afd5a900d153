"""Scans for looking at: bowls of known volume, as files and as records."""

from functools import cache
from pathlib import Path

import numpy as np

from tests.cavity.trays import Tray, trays
from tests.scan.writers import stl_binary
from volest.pipeline import Cavity, examine
from volest.result import Result
from volest.settings import Settings, parse_base

TRAYS = {tray.name: tray for tray in trays()}


def tray(name: str) -> Tray:
    return TRAYS[name]


def write_bowl(path: Path, name: str = "hemisphere") -> Path:
    path.write_bytes(stl_binary(TRAYS[name].triangles(is_open=True).astype(np.float32)))
    return path


@cache
def looked_at(folder: Path, name: str = "hemisphere", base: str = "rim") -> tuple[Result, Cavity]:
    """Measure a bowl through the whole pipeline; the same is not measured twice."""
    file = write_bowl(folder / f"{name}.stl", name)
    return examine(file, Settings(base=parse_base(base)))
