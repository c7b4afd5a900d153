"""Blocks into a pyvista plotter: the same for window and pictures."""

from typing import Any

import numpy as np
import numpy.typing as npt

from volest.cavity.frame import Floats
from volest.view.mesh import Mesh
from volest.view.scene import (
    BASE_LINE,
    CUT_FACE,
    DEPTHS,
    IMPRESSION,
    INK,
    LOOKS,
    PROFILE,
    STONE,
    Block,
)

BAND_MM = 2.0  # between two contour lines
_LINE_WIDTH = 5.0
_LIFT_MM = 0.1  # so that a line is not half sunk into its surface


def put_block(plotter: Any, block: Block, *, line_width: float = _LINE_WIDTH) -> None:
    """Put one block into a plotter, in its own colour; a block of that name is replaced."""
    look = LOOKS[block.name]
    if len(block.lines_mm):
        plotter.add_mesh(
            lines_of(block.lines_mm + np.array([0.0, 0.0, _LIFT_MM])),
            color=look.colour if block.name == BASE_LINE else PROFILE,
            line_width=line_width if block.name == BASE_LINE else 0.6 * line_width,
            lighting=False,
            name=block.name if block.name == BASE_LINE else f"{block.name} profile",
            reset_camera=False,
        )
    if not len(block.mesh.triangles):
        return
    plotter.add_mesh(
        surface_of(block.mesh),
        color=look.colour,
        name=block.name,
        reset_camera=False,
        smooth_shading=False,
        **_lights(block.name),
    )


def _lights(name: str) -> dict[str, Any]:
    if name == IMPRESSION:
        return {"ambient": 0.24, "diffuse": 0.78, "specular": 0.12, "specular_power": 12.0}
    if name in (STONE, CUT_FACE):  # both are level faces: one plain colour each
        return {"lighting": False}
    return {"ambient": 0.45, "diffuse": 0.6}


def put_heights(plotter: Any, block: Block, lowest_mm: float) -> None:
    """Put the impression into a plotter, shaded in steps of depth with contour lines."""
    from matplotlib.colors import LinearSegmentedColormap

    surface = surface_of(block.mesh)
    surface["height"] = block.heights_mm
    low = BAND_MM * float(np.floor(lowest_mm / BAND_MM))
    steps = round(-low / BAND_MM)
    plotter.add_mesh(
        surface,
        scalars="height",
        cmap=LinearSegmentedColormap.from_list("depths", DEPTHS, N=max(steps, 2)),
        clim=(low, 0.0),
        show_scalar_bar=False,
        name=block.name,
        ambient=0.42,
        diffuse=0.62,
        reset_camera=False,
    )
    _put_contours(plotter, surface, low)


def _put_contours(plotter: Any, surface: Any, low: float) -> None:
    levels = np.arange(low + BAND_MM, -BAND_MM / 2.0, BAND_MM)
    contours = surface.contour(levels, scalars="height")
    if contours.n_points:
        contours.points[:, 2] += _LIFT_MM
        plotter.add_mesh(
            contours,
            color=INK,
            line_width=1.2,
            lighting=False,
            opacity=0.55,
            name="contours",
            reset_camera=False,
        )


def surface_of(mesh: Mesh) -> Any:
    """Hand a surface over to pyvista, with its normals for smooth shading."""
    import pyvista as pv

    faces = np.column_stack([np.full(len(mesh.triangles), 3), mesh.triangles]).ravel()
    surface = pv.PolyData(mesh.points_mm.astype(np.float32), faces)
    surface.point_data["Normals"] = mesh.normals().astype(np.float32)
    surface.point_data.active_normals_name = "Normals"
    return surface


def lines_of(ends_mm: Floats) -> Any:
    """Hand lines over to pyvista by their two ends, (k, 2, 3)."""
    import pyvista as pv

    count = len(ends_mm)
    number = np.arange(2 * count).reshape(count, 2)
    return pv.PolyData(
        ends_mm.reshape(-1, 3).astype(np.float32),
        lines=np.column_stack([np.full(count, 2), number]).ravel(),
    )


def image_of(pixels: npt.NDArray[np.uint8]) -> Any:
    """Hand pixels (h, w, 3), the lowest row first, over to VTK."""
    import pyvista as pv

    rows, columns, _ = pixels.shape
    image = pv.ImageData(dimensions=(columns, rows, 1))
    image.point_data["colours"] = pixels.reshape(-1, 3)
    image.point_data.active_scalars_name = "colours"
    return image
