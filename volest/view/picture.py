"""Two views of one scan as a picture, made without a display: from above, and cut open."""

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from volest.pipeline import Cavity
from volest.result import Result
from volest.view.canvas import lines_of, put_block, put_heights
from volest.view.display import draw_off_screen
from volest.view.scene import (
    BASE_LINE,
    IMPRESSION,
    INK,
    PAPER,
    STONE,
    Scene,
    best_cut_mm,
    cut_open,
    scene_of,
)
from volest.view.sheet_of_paper import lay_out

if TYPE_CHECKING:
    from PIL.Image import Image

VIEW_PX = (1000, 900)
_MARGIN = 1.16  # room round the impression in the view from above
_TILT_DEG = 32.0  # of the look into the cut: over the rim, onto the cut face
_LIFT = np.array([0.0, 0.0, 0.3])  # mm, so that the base line is not half sunk from above
# Where the eye is; in parallel projection it only must not be inside of anything.
_ABOVE_MM, _AWAY_MM = 200.0, 300.0
Pixels = npt.NDArray[np.uint8]


def picture_of(result: Result, cavity: Cavity, *, headed: bool = True) -> "Image":
    """Draw one scan from above with heights, and cut open; `headed` by its name and figures."""
    scene = scene_of(cavity)
    above, mm_per_px = seen_from_above(scene)
    cut = seen_cut_open(scene, cavity)
    return lay_out(result, scene, above, cut, mm_per_px, headed=headed)


def seen_from_above(scene: Scene) -> tuple[Pixels, float]:
    """Draw the view from above, shaded by depth; give its pixels (h, w, 3) and a pixel's mm."""
    plotter = _plotter()
    impression = scene.blocks[IMPRESSION]
    put_heights(plotter, impression, lowest_mm=float(impression.heights_mm.min()))
    for name, block in scene.blocks.items():
        if name == BASE_LINE:
            lifted = block.lines_mm + _LIFT
            if len(lifted):
                plotter.add_mesh(lines_of(lifted), color=INK, line_width=4.0, lighting=False)
        elif name not in (IMPRESSION, STONE):
            put_block(plotter, block)
    points = impression.mesh.points_mm
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2.0
    tall = _MARGIN * max(high[1] - low[1], (high[0] - low[0]) * VIEW_PX[1] / VIEW_PX[0])
    plotter.camera_position = [(*middle[:2], high[2] + _ABOVE_MM), tuple(middle), (0.0, 1.0, 0.0)]
    plotter.enable_parallel_projection()
    plotter.camera.parallel_scale = tall / 2.0
    return _shot(plotter), float(tall) / VIEW_PX[1]


def seen_cut_open(scene: Scene, cavity: Cavity) -> Pixels:
    """Draw the look into the cut, as pixels (h, w, 3)."""
    plotter = _plotter()
    at_mm = best_cut_mm(cavity, scene.stand)
    blocks = cut_open(scene, cavity, at_mm)
    for block in blocks.values():
        put_block(plotter, block)
    used = blocks[IMPRESSION].mesh
    points = used.points_mm[np.unique(used.triangles)]
    aim_at_cut(plotter, points)
    return _shot(plotter)


def aim_at_cut(plotter: Any, points_mm: npt.NDArray[np.float64]) -> None:
    """Look from the back, over the cut, so that all points (n, 3) are seen."""
    tilt = np.radians(_TILT_DEG)
    toward = np.array([0.0, np.cos(tilt), -np.sin(tilt)])
    upward = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    middle = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2.0
    high = (points_mm - middle) @ upward
    wide = np.ptp(points_mm[:, 0])
    middle = middle + upward * (high.min() + high.max()) / 2.0
    tall = _MARGIN * max(float(np.ptp(high)), float(wide) * VIEW_PX[1] / VIEW_PX[0])
    plotter.camera_position = [tuple(middle - _AWAY_MM * toward), tuple(middle), tuple(upward)]
    plotter.enable_parallel_projection()
    plotter.camera.parallel_scale = tall / 2.0


def _plotter() -> Any:
    draw_off_screen()
    import pyvista as pv

    plotter: Any = pv.Plotter(off_screen=True, window_size=list(VIEW_PX), lighting="none")
    plotter.set_background(PAPER)
    for place, strength in (((-0.6, 0.5, 1.0), 0.85), ((0.9, -0.6, 0.7), 0.35)):
        light = pv.Light(position=place, intensity=strength, light_type="camera light")
        plotter.add_light(light)
    return plotter


def _shot(plotter: Any) -> Pixels:
    pixels = np.array(plotter.screenshot(None, return_img=True))
    plotter.close()
    return pixels
