"""What one card of the pour sheet carries: plain data, made where the cavity is at hand.

Surfaces and maps are made small enough to travel inside a page: thinned, 16 bits a number, base64.
"""

import base64
import io
import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from volest.cavity.frame import Floats, Ints
from volest.dosing import dose, dosed
from volest.errors import MixError, ScanError
from volest.pipeline import Cavity, examine_all
from volest.result import Result, together
from volest.settings import Settings
from volest.stone.words import powder_cell, scoops_cell, water_cell
from volest.view.mesh import Mesh, unit
from volest.view.scene import (
    BASE_LINE,
    CUT_FACE,
    IMPRESSION,
    LOOKS,
    STONE,
    Scene,
    best_cut_mm,
    scene_of,
    stone_heights_mm,
)

PICTURE_PX = 1400  # wide: sharp on paper and on a screen
_PICTURE_QUALITY = 82
_MARK_POINTS = 4000
_STEP_MM = 0.1  # of the slider
_LOWEST_MM = 12.0  # under the base line: no first pour ends deeper
_HIGHEST_MM = 12.0  # over the base line: beyond what the slider reaches
_LEAST_ML = 0.5  # a base line with less under it is none
_FREE_CELLS = 3
_MAP_CELL_MM = 0.4  # finer would only make the page heavier
_WHOLE = 1e-6  # what rounding leaves of a whole number
MOST_POINTS = 16_000  # some 0.45 MB a scan; 20 scans stay under 20 MB
_FIRST_CELL_MM, _WIDER = 0.5, 1.25  # of the lattice, widened until few enough are left
_TOP_16, _TOP_8 = 65535.0, 127.0
_LEAST_MM = 1e-6  # what is level all over still has a size to divide by


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMaker:
    """Sizes scans as a batch wants it, and gives with each result what draws its card."""

    pictures: bool

    def __call__(self, path: Path, settings: Settings) -> tuple[Result, Callable[[], str]]:
        """Size one scan; drawing the cards of its impressions comes after, and may fail."""
        start = time.perf_counter()
        measured = examine_all(path, settings)
        examined = [(dosed(one, settings), found) for one, found in measured]
        result = together(one for one, _ in examined).taking(time.perf_counter() - start)
        return result, lambda: json.dumps(
            [self._made(one, found, settings) for one, found in examined]
        )

    def _made(
        self, result: Result, found: Cavity | ScanError, settings: Settings
    ) -> dict[str, Any] | None:
        if isinstance(found, ScanError) or result.volume_ml is None:
            return None
        card = card_of(result, found, settings)
        if self.pictures:
            card["picture"] = picture_data(result, found)
        return card


def read_card(text: str | None, cavity: int = 1) -> dict[str, Any] | None:
    """Read the card of one impression that a `CardMaker` drew; None where there is none."""
    if text is None:
        return None
    cards: list[dict[str, Any] | None] = json.loads(text)
    return cards[cavity - 1]


def card_of(result: Result, cavity: Cavity, settings: Settings) -> dict[str, Any]:
    """Gather what the live view and the slider of a card need, as plain values for JSON.

    ``moves`` has one row a slider step, ``solid`` is what is drawn.
    """
    scene = scene_of(cavity)
    return {"moves": moves(result, settings), "solid": _solid(scene, cavity), "picture": None}


def moves(result: Result, settings: Settings) -> list[list[Any]]:
    """Work out the mix for every height that the slider can give the base line.

    Rows of height in mm, volume in mL, powder in g and water in mL as they are written, scoops.
    Volumes follow the curve (`volest show --curve`), straight between its heights; at 0 stands
    the measured volume itself. Heights with more than the lab's bowls take are left out.
    """
    heights, volumes = np.array(result.curve).T
    first = np.ceil(max(heights[0], -_LOWEST_MM) / _STEP_MM)
    rows = []
    for k in np.arange(first, np.floor(heights[-1] / _STEP_MM + _WHOLE) + 1):
        volume_ml = float(np.interp(k * _STEP_MM, heights, volumes))
        if k == 0 and result.volume_ml is not None:
            volume_ml = result.volume_ml
        if volume_ml >= _LEAST_ML:
            try:
                made = dose(result, volume_ml, settings, float(k) * _STEP_MM)
            except MixError:  # no bowl takes it: the slider ends below
                break
            mixed = [powder_cell(made), water_cell(made), scoops_cell(made)]
            rows.append([round(k * _STEP_MM, 1), round(volume_ml, 3), *mixed])
    return rows


def picture_data(result: Result, cavity: Cavity) -> str:
    """Draw the picture of a card as a ``data:`` address (RFC 2397), in WebP."""
    from volest.view.picture import picture_of

    whole = picture_of(result, cavity, headed=False)  # the card has name and figures itself
    small = whole.resize((PICTURE_PX, round(whole.height * PICTURE_PX / whole.width)))
    stream = io.BytesIO()
    small.save(stream, "WEBP", quality=_PICTURE_QUALITY)
    return "data:image/webp;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def _solid(scene: Scene, cavity: Cavity) -> dict[str, Any]:
    """Pack the drawing, with the base line at height 0 all over."""
    levelled = {name: _levelled(block.mesh, scene, cavity) for name, block in scene.blocks.items()}
    marks = [name for name in levelled if name not in (IMPRESSION, STONE, BASE_LINE)]
    heights, low_mm = _floor(cavity)
    return {
        "surfaces": [
            {
                "colour": LOOKS[IMPRESSION].colour,
                "main": True,
                **pack_surface(levelled[IMPRESSION]),
            },
            *(
                {
                    "colour": LOOKS[name].colour,
                    "main": False,
                    **pack_surface(levelled[name], _MARK_POINTS),
                }
                for name in marks
            ),
        ],
        "marks": [[name, LOOKS[name].says, LOOKS[name].colour] for name in marks],
        "floor": pack_map(heights, _HIGHEST_MM),
        "to_cells": _to_cells(scene, cavity, low_mm),
        "cut_mm": round(best_cut_mm(cavity, scene.stand), 1),
        "stone": LOOKS[STONE].colour,
        "stone_cut": LOOKS[CUT_FACE].colour,
    }


def _levelled(mesh: Mesh, scene: Scene, cavity: Cavity) -> Mesh:
    base = cavity.base
    height = base.heights_mm(*scene.stand.undrawn(mesh.points_mm).T) * base.upright
    return Mesh(
        points_mm=np.column_stack([mesh.points_mm[:, :2], height]), triangles=mesh.triangles
    )


def _floor(cavity: Cavity) -> tuple[Floats, tuple[float, float]]:
    """Cut the map of the floor down to what stone may cover."""
    grid, inside = cavity.relief.grid, cavity.footprint.inside
    heights = stone_heights_mm(cavity, cavity.base) * cavity.base.upright
    j, i = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    rows = slice(max(int(j[0]) - _FREE_CELLS, 0), int(j[-1]) + 1 + _FREE_CELLS)
    columns = slice(max(int(i[0]) - _FREE_CELLS, 0), int(i[-1]) + 1 + _FREE_CELLS)
    low, every = grid.low_mm, _every(cavity)
    return heights[rows, columns][::every, ::every], (
        low[0] + columns.start * grid.pitch_mm,
        low[1] + rows.start * grid.pitch_mm,
    )


def _every(cavity: Cavity) -> int:
    """Say how many cells of a fine grid become one of the map."""
    return max(int(_MAP_CELL_MM / cavity.relief.grid.pitch_mm + _WHOLE), 1)


def _to_cells(scene: Scene, cavity: Cavity, low_mm: tuple[float, float]) -> list[float]:
    """Say how a place of the drawing becomes a cell of the floor's map: u = a x + b y + c ..."""
    pitch = cavity.relief.grid.pitch_mm * _every(cavity)
    turn, middle = scene.stand.turn, scene.stand.middle_mm
    parts = []
    for axis in (0, 1):
        parts += [
            turn[0, axis] / pitch,
            turn[1, axis] / pitch,
            (middle[axis] - low_mm[axis]) / pitch,
        ]
    return [float(part) for part in parts]


def pack_surface(mesh: Mesh, most_points: int = MOST_POINTS) -> dict[str, Any]:
    """Thin out a surface to so many corners, at most 65536 as 16 bits number them, and pack it.

    ``low`` and ``size`` in mm, and as base64 ``points`` (uint16), ``ways`` (int8, the normals)
    and ``triangles`` (uint16), all little-endian.
    """
    cell_mm = _FIRST_CELL_MM
    thin, ways = thinned(mesh, cell_mm)
    while len(thin.points_mm) > most_points:
        cell_mm *= _WIDER
        thin, ways = thinned(mesh, cell_mm)
    low = thin.points_mm.min(axis=0)
    size = np.maximum(np.ptp(thin.points_mm, axis=0), _LEAST_MM)
    return {
        "low": _numbers(low),
        "size": _numbers(size),
        "points": _base64(np.rint((thin.points_mm - low) / size * _TOP_16).astype("<u2")),
        "ways": _base64(np.rint(ways * _TOP_8).astype("i1")),
        "triangles": _base64(thin.triangles.astype("<u2")),
    }


def thinned(mesh: Mesh, cell_mm: float) -> tuple[Mesh, Floats]:
    """Thin out a surface: all corners in one cell of a lattice become one, at their mean.

    Its normals (n, 3) are taken from the finer surface: it still looks as smooth as that.
    """
    low, normals = mesh.points_mm.min(axis=0), mesh.normals()
    cells = np.floor((mesh.points_mm - low) / cell_mm).astype(np.int64)
    # Opposite walls of a thin fin must not fall into one corner: the way they face tells them.
    facing = (normals > 0.0).astype(np.int64) @ np.array([1, 2, 4])
    sizes = cells.max(axis=0) + 1
    key = ((cells[:, 0] * sizes[1] + cells[:, 1]) * sizes[2] + cells[:, 2]) * 8 + facing
    _, number = np.unique(key, return_inverse=True)
    count = np.bincount(number).astype(np.float64)
    points, ways = (
        np.stack([np.bincount(number, weights=v) / count for v in values.T], axis=1)
        for values in (mesh.points_mm, normals)
    )
    triangles = number[mesh.triangles]
    flat = (triangles == np.roll(triangles, 1, axis=1)).any(axis=1)
    return Mesh(points_mm=points, triangles=_once(triangles[~flat])), unit(ways)


def _once(triangles: Ints) -> Ints:
    if not len(triangles):
        return triangles
    _, first = np.unique(np.sort(triangles, axis=1), axis=0, return_index=True)
    return np.asarray(triangles[np.sort(first)])


def pack_map(heights_mm: Floats, highest_mm: float) -> dict[str, Any]:
    """Pack a map of heights (r, c), cut off at the highest.

    ``rows``, ``columns``, ``low`` and ``step`` in mm, and as base64 ``heights`` (uint16,
    little-endian), row by row.
    """
    capped = np.minimum(heights_mm, highest_mm)
    low = float(capped.min())
    step = max(highest_mm - low, _LEAST_MM) / _TOP_16
    return {
        "rows": heights_mm.shape[0],
        "columns": heights_mm.shape[1],
        "low": low,
        "step": step,
        "heights": _base64(np.rint((capped - low) / step).astype("<u2")),
    }


def _numbers(values: Floats) -> list[float]:
    return [round(float(value), 5) for value in values]


def _base64(values: npt.NDArray[Any]) -> str:
    return base64.b64encode(values.tobytes()).decode("ascii")
