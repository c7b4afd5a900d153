"""What one card of the pour sheet carries: plain data, made where the cavity is at hand.

What is drawn is made small enough to travel inside a page: fewer triangles where it is flat, whole
hundredths of a mm, each told by its difference from the row above, deflated.
"""

import base64
import io
import json
import time
import zlib
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import fast_simplification
import numpy as np

from volest.cavity.frame import Floats, Ints
from volest.dosing import dose, dosed
from volest.errors import MixError, ScanError, UsageError
from volest.pipeline import Cavity, examine_all, guided
from volest.result import Result, plain, together
from volest.settings import Settings
from volest.stone.words import powder_cell, scoops_cell, water_cell
from volest.view.around import outline, strip
from volest.view.scene import (
    BASE_LINE,
    CUT_FACE,
    IMPRESSION,
    LOOKS,
    STONE,
    Mesh,
    Scene,
    scene_of,
    stone_heights_mm,
)

PICTURE_PX = 1400  # wide: sharp on paper and on a screen
_PICTURE_QUALITY = 82
_STEP_MM = 0.1  # of the slider
_LOWEST_MM = 12.0  # under the base line: no first pour ends deeper
_HIGHEST_MM = 12.0  # over the base line: beyond what the slider reaches
_LEAST_ML = 0.5  # a base line with less under it is none
_FREE_CELLS = 3
_MAP_CELL_MM = 0.4  # finer would only make the page heavier
_WHOLE = 1e-6  # what rounding leaves of a whole number
UNIT_MM = 0.01  # of all that is drawn: finer than a scanner measures
MOST_TRIANGLES = 20_000  # no corner of a scan that was tried strayed 0.19 mm from so many
_DIGITS = 3  # of mm: noise far over that of doubles, on which flat places would be lost
_ROW_MM = 1.0  # corners that lie near each other are told one after the other
_TINY_MM2 = 1e-9


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

    ``moves`` has one row a slider step, ``solid`` is what is drawn; ``strip`` and ``outline`` are
    SVG, empty where nothing is told, or no page holds it; ``notes`` are those that ``result`` has
    not, since only what is drawn needs what they rest on.
    """
    scene, name = scene_of(cavity), Path(result.scan).name
    right = settings.right_is_one_to_five(result.scan, is_arch=cavity.clock.is_arch)
    told, guide = guided(result, cavity, settings, flowing=False)
    more = told.notes[len(result.notes) :]
    at_true_size = ""
    with suppress(UsageError):
        at_true_size = outline(cavity, name, right_is_one_to_five=right)
    return {
        "moves": moves(result, settings),
        "solid": _solid(scene, cavity),
        "strip": strip(cavity, guide, right_is_one_to_five=right),
        "outline": at_true_size,
        "picture": None,
        "notes": list(map(plain, more)),
    }


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
    levelled, base = {}, cavity.base
    for name, block in scene.blocks.items():
        x, y, _ = block.mesh.points_mm.T
        height = base.heights_mm(*scene.stand.undrawn(block.mesh.points_mm).T) * base.upright
        levelled[name] = replace(block.mesh, points_mm=np.column_stack([x, y, height]))
    marks = [name for name in levelled if name not in (IMPRESSION, STONE, BASE_LINE)]
    main = decimated(levelled[IMPRESSION])
    heights, to_cells = _floor(scene, cavity)
    return {
        "low": np.round(main.points_mm.min(axis=0), 2).tolist(),
        "size": np.round(np.ptp(main.points_mm, axis=0), 2).tolist(),
        "colour": LOOKS[IMPRESSION].colour,
        "marks": [[name, LOOKS[name].says, LOOKS[name].colour] for name in marks],
        "rows": heights.shape[0],
        "columns": heights.shape[1],
        "to_cells": to_cells,
        "to_scan": _to_scan(scene, cavity),
        "stone": LOOKS[STONE].colour,
        "stone_cut": LOOKS[CUT_FACE].colour,
        "packed": packed(
            np.minimum(heights, _HIGHEST_MM), [main, *(levelled[name] for name in marks)]
        ),
    }


def _floor(scene: Scene, cavity: Cavity) -> tuple[Floats, list[float]]:
    """Cut the map of the floor down to what stone may cover.

    With it, how a place of the drawing becomes a cell: u = a x + b y + c, and the same for v.
    """
    grid, inside = cavity.relief.grid, cavity.footprint.inside
    every = max(int(_MAP_CELL_MM / grid.pitch_mm + _WHOLE), 1)  # cells of a fine grid become one
    heights = stone_heights_mm(cavity, cavity.base) * cavity.base.upright
    j, i = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    first = [max(int(at[0]) - _FREE_CELLS, 0) for at in (i, j)]
    last = [int(at[-1]) + 1 + _FREE_CELLS for at in (i, j)]
    low_mm = np.array(grid.low_mm) + np.array(first) * grid.pitch_mm
    turn, middle_mm = scene.stand.turn[:2, :2], scene.stand.middle_mm[:2]
    to_cells = np.column_stack([turn.T, middle_mm - low_mm]) / (grid.pitch_mm * every)
    return heights[
        first[1] : last[1] : every, first[0] : last[0] : every
    ], to_cells.ravel().tolist()


def _to_scan(scene: Scene, cavity: Cavity) -> list[list[float]]:
    """Say where the drawing's origin lies in the scan's own frame, and what each mm adds."""
    drawn, base = np.vstack([np.zeros(3), np.eye(3)]), cavity.base
    x, y, _ = scene.stand.undrawn(drawn).T
    places = np.column_stack([x, y, base.level_mm(x, y) + drawn[:, 2] / base.upright])
    origin, *ends = map(cavity.frame.from_frame, places)
    return [origin.tolist(), *((end - origin).tolist() for end in ends)]


def decimated(mesh: Mesh, most: int = MOST_TRIANGLES) -> Mesh:
    """Leave so many triangles, fewest where it is flat; borders stay (Garland, Heckbert 1997)."""
    points = np.round(mesh.points_mm, _DIGITS)
    a, b, c = (points[mesh.triangles[:, k]] for k in range(3))
    triangles = mesh.triangles[np.linalg.norm(np.cross(b - a, c - a), axis=1) > _TINY_MM2]
    if len(triangles) > most:
        points, triangles = fast_simplification.simplify(
            points, triangles.astype(np.int32), target_count=most, preserve_border=True
        )
    along, across = points[:, 0], np.floor(points[:, 1] / _ROW_MM)
    order = np.lexsort([np.where(across % 2 == 0, along, -along), across])
    number = np.argsort(order)[triangles]
    first = number.argmin(axis=1)[:, None]
    number = np.take_along_axis(number, (first + np.arange(3)) % 3, axis=1)
    return Mesh(points_mm=points[order], triangles=number[np.lexsort(number.T[::-1])])


def packed(heights_mm: Floats, surfaces: Sequence[Mesh]) -> str:
    """Pack a map of heights (r, c), then corners and triangles of each surface, as base64."""
    tables = [_units(heights_mm)]
    for surface in surfaces:
        tables += [_units(surface.points_mm), surface.triangles]
    steps = [np.diff(table, axis=0, prepend=0) for table in tables]
    text = json.dumps([step.ravel().tolist() for step in steps], separators=(",", ":"))
    return base64.b64encode(zlib.compress(text.encode(), 9)).decode("ascii")


def _units(lengths_mm: Floats) -> Ints:
    return np.rint(lengths_mm / UNIT_MM).astype(np.int64)
