"""Solids taken through the first stages, and base lines stated outright."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from manifold3d import Manifold

from tests.cavity.trays import corners_of
from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Columns, Surface, cut_columns, grid_over
from volest.cavity.footprint import Footprint, find_footprint
from volest.cavity.frame import Frame
from volest.cavity.height_map import HeightMap, height_map_of_columns
from volest.cavity.imprints import Imprint
from volest.cavity.polarity import by_coordinate
from volest.cavity.rim import Rim, find_rim
from volest.cavity.void import ReachableVoid, find_void

Floats = npt.NDArray[np.float64]
# No multiple of any length in the tests: walls do not fall on the cells' centres.
PITCH_MM = 0.37
PIECE = Imprint(
    hour=12,
    from_mm=0.0,
    to_mm=8.0,
    place_mm=(0.0, 0.0),
    deep_mm=9.0,
    width_mm=None,
    is_clear=True,
    number=None,
    side=0,
)


@dataclass(frozen=True, kw_only=True)
class Stages:
    """What the stages up to the rim made of a solid, in the frame it was modelled in."""

    corners_mm: Floats  # (3, 3, n)
    columns: Columns
    relief: HeightMap
    footprint: Footprint
    rim: Rim

    def rooms(self, base: BasePlane) -> ReachableVoid:
        return find_void(self.columns, self.relief, self.footprint, self.rim, base)


def level(height_mm: float) -> BasePlane:
    return tilted(0.0, 0.0, height_mm)


def tilted(a: float, b: float, c: float) -> BasePlane:
    """State the base line z = a x + b y + c."""
    return BasePlane(plane=np.array([a, b, c]), how="plane", height_u_mm=0.02, lean_deg=0.0)


def below_ml(solid: Manifold, base: BasePlane) -> float:
    """Return the volume of the part of a solid that lies below the base line, by manifold3d."""
    a, b, c = (float(value) for value in base.plane)
    down = np.array([a, b, -1.0]) / np.linalg.norm([a, b, -1.0])
    return float(solid.trim_by_plane(tuple(down), -c * base.upright).volume()) / 1000.0


def staged(solid: Manifold, pitch_mm: float = PITCH_MM) -> Stages:
    return staged_triangles(corners_of(solid), pitch_mm)


def staged_triangles(triangles: Floats, pitch_mm: float = PITCH_MM) -> Stages:
    corners = by_coordinate(triangles)
    grid = grid_over(corners[0].ravel(), corners[1].ravel(), pitch_mm, free_mm=3.0)
    columns = cut_columns(corners, grid)
    relief = height_map_of_columns(columns)
    footprint = find_footprint(relief)
    rim = find_rim(relief, footprint, still(triangles))
    return Stages(corners_mm=corners, columns=columns, relief=relief, footprint=footprint, rim=rim)


def still(triangles: Floats) -> Surface:
    """See triangles in their own frame."""
    frame = Frame(rotation=np.eye(3), origin_mm=np.zeros(3))
    return Surface(triangles=triangles, frame=frame)


def box(size_mm: tuple[float, float, float], at_mm: tuple[float, float, float]) -> Manifold:
    """Place a box by the middle of its top."""
    x, y, z = size_mm
    return Manifold.cube(size_mm).translate((at_mm[0] - x / 2, at_mm[1] - y / 2, at_mm[2] - z))


def bed(*cavities: Manifold) -> Manifold:
    """Cut cavities out of a block of 62 x 52 x 30 mm whose top lies at z = 0."""
    block = box((62.0, 52.0, 30.0), (0.0, 0.0, 0.0))
    for cavity in cavities:
        block = block - cavity
    return block


def pit(
    x_mm: float, y_mm: float, depth_mm: float, at_mm: tuple[float, float] = (0.0, 0.0)
) -> Manifold:
    """Return a box that stands 1 mm out of the block's top and reaches to a depth."""
    return box((x_mm, y_mm, depth_mm + 1.0), (*at_mm, 1.0))
