"""Scans in any pose, measured through the whole pipeline."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from volest.pipeline import measure
from volest.result import Result
from volest.scan.reading import Scan
from volest.settings import Base, Settings

Floats = npt.NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, kw_only=True)
class Move:
    """A rotation and a shift: p goes to turn @ p + shift_mm."""

    turn: Floats
    shift_mm: Floats

    def points(self, points_mm: Floats) -> Floats:
        """Move points, (..., 3)."""
        return np.asarray(points_mm @ self.turn.T + self.shift_mm)

    def plane(self, height_mm: float) -> tuple[float, ...]:
        """Return point and normal of a level plane at a height, moved."""
        return (*self.points(height_mm * UP), *(self.turn @ UP))


STILL = Move(turn=np.eye(3), shift_mm=np.zeros(3))


def random_move(seed: int, reach_mm: float = 100.0) -> Move:
    rng = np.random.default_rng(seed)
    turn = Rotation.from_quat(rng.normal(size=4)).as_matrix()
    return Move(turn=turn, shift_mm=rng.uniform(-reach_mm, reach_mm, 3))


def measured(triangles: Floats, move: Move = STILL, **changes: Any) -> Result:
    """Measure moved triangles with the usual settings but for the changes."""
    scan = Scan(path=Path("made"), triangles=move.points(triangles), notes=())
    return measure(scan, replace(Settings(), **changes))


def given(move: Move, height_mm: float) -> Base:
    return Base(how="plane", plane=move.plane(height_mm))


def base_error(result: Result, move: Move, height_mm: float) -> tuple[float, float]:
    """Return how far the base line is off the intended one: mm along it, and degrees."""
    assert result.base_line is not None
    plane = np.array(move.plane(height_mm))
    off_mm = (np.array(result.base_line.point_mm) - plane[:3]) @ plane[3:]
    cosine = np.clip(np.array(result.base_line.normal) @ plane[3:], -1.0, 1.0)
    return float(off_mm), float(np.degrees(np.arccos(cosine)))
