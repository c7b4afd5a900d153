"""The stone of a cavity as a closed solid: a cast before the cast.

The measured columns say in which cell, from where to where, stone stands. Between the cells'
middles and levels of height the skin is led by marching cubes (VTK's flying edges): a closed
surface whose every edge joins two triangles. Its top is the base line itself.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from volest.cavity.frame import Floats, Ints
from volest.errors import ScanError
from volest.pipeline import Cavity
from volest.storage import write_whole

_MOST_LEVELS = 200  # a level is as high as a cell is wide, unless the cavity is deeper than these
_NEAREST_MM = 0.002  # no level is nearer to the skin, so that STL's short numbers part corners
_FAR_MM = 1e3  # beside all columns
_SKY_MM = 1e6  # over the base line: so far off that the skin's top lies in it
_MOST_SHIFT_MM = 0.1  # of the skin, to the volume that was measured: scans are no finer
_CRUMB = 1e-4  # of the whole: what is smaller and by itself is no stone to be seen
_SOME = 1e-9
_SAME_SHARE = 1e-5  # of the volume
_MOST_SHIFTS = 8  # two or three were enough for the samples


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoneSolid:
    """The stone of one impression up to its base line: closed, each edge between two triangles.

    Parameters
    ----------
    points_mm : ndarray of float64, shape (n, 3)
        Corners, in the scan's own frame.
    triangles : ndarray of int64, shape (m, 3)
        Numbers of the corners of each triangle, anticlockwise seen from outside.
    volume_ml : float
        What it holds.
    """

    points_mm: Floats
    triangles: Ints
    volume_ml: float

    def polydata(self) -> Any:
        """Give it to pyvista.

        Returns
        -------
        pyvista.PolyData
            The same corners and triangles.
        """
        import pyvista

        library: Any = pyvista  # its types know no arrays of int64
        return library.PolyData.from_regular_faces(self.points_mm, self.triangles)

    def write_stl(self, path: Path | str) -> None:
        """Write it as binary STL, whole or not at all.

        Parameters
        ----------
        path : path
            The file; one that is there is replaced.

        Raises
        ------
        UsageError
            If it cannot be written.
        """
        rows = np.zeros(
            len(self.triangles),
            dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")],
        )
        corners = self.points_mm[self.triangles]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        rows["normal"] = across / np.linalg.norm(across, axis=1, keepdims=True)
        rows["corners"] = corners
        head = b"stone up to the base line, in mm".ljust(80)
        write_whole(Path(path), head + np.uint32(len(rows)).tobytes() + rows.tobytes())


def stone_solid(cavity: Cavity) -> StoneSolid:
    """Build the stone's solid; its skin is shifted a little, so that it holds what was measured."""
    wanted_ml, held_ml, shift_mm, step_mm = cavity.volume.best_ml, math.nan, 0.0, 0.01
    for _ in range(_MOST_SHIFTS + 1):
        before_ml, (points, triangles) = held_ml, _skin(cavity, shift_mm)
        held_ml = float(_shares_ml(points, triangles).sum())
        if abs(held_ml - wanted_ml) <= _SAME_SHARE * wanted_ml or abs(shift_mm) > _MOST_SHIFT_MM:
            break
        if math.isfinite(before_ml):
            step_mm *= (wanted_ml - held_ml) / (held_ml - before_ml)
        shift_mm += step_mm
    if abs(held_ml - wanted_ml) > _SAME_SHARE * wanted_ml or abs(shift_mm) > _MOST_SHIFT_MM:
        raise ScanError(
            f"a solid of {held_ml:.2f} mL where {wanted_ml:.2f} mL were measured",
            needed="the same of both",
            remedy="give a finer pitch_mm",
            code="no-solid",
        )
    x, y, z = points.T
    in_frame = np.stack([x, y, z + cavity.base.level_mm(x, y)], axis=1)
    return StoneSolid(
        points_mm=in_frame @ cavity.frame.rotation + cavity.frame.origin_mm,
        triangles=triangles,
        volume_ml=held_ml,
    )


def _shares_ml(points: Floats, triangles: Ints) -> Floats:
    """Give the tetrahedra (m,) between the points' middle and the triangles (Gauss)."""
    a, b, c = (points[triangles[:, k]] - points.mean(axis=0) for k in range(3))
    return np.asarray(np.einsum("ij,ij->i", a, np.cross(b, c)) / 6000.0)


def _skin(cavity: Cavity, shift_mm: float) -> tuple[Floats, Ints]:
    """Lead the skin round the stone: corners (n, 3), heights over the base line, and triangles.

    Each level says how far off the stone every cell's middle is: below 0 in the stone. It is a
    height, so that between two cells the skin runs where a slope between them does.
    """
    import pyvista

    library: Any = pyvista  # its types know no arrays of float32
    rooms, grid = cavity.rooms, cavity.rooms.grid
    deep_mm = -float(rooms.floor_mm.min())
    step_mm = max(grid.pitch_mm, deep_mm / _MOST_LEVELS)
    levels = -step_mm * np.arange(int(deep_mm / step_mm) + 2, -1.0, -1.0)  # from below all stone
    starts = np.flatnonzero(np.diff(rooms.cell, prepend=-1))
    own, off_mm = rooms.cell[starts], []
    for level in levels:
        away = np.maximum(rooms.floor_mm - level, level - rooms.roof_mm)
        value = np.full(grid.shape, np.nan)
        value.ravel()[own] = np.minimum.reduceat(away, starts) - shift_mm
        padded = np.pad(value, 1, constant_values=np.nan)
        # Beside the columns a wall is put up: between two cells, half way.
        inside = padded < 0.0
        share = uniform_filter(inside.astype(np.float64), 3)
        depth = uniform_filter(np.where(inside, -padded, 0.0), 3)
        wall = np.where(share > _SOME, depth / np.maximum(share, _SOME), _FAR_MM)
        off = np.where(np.isnan(padded), wall, padded)
        near = np.where(off < 0.0, np.minimum(off, -_NEAREST_MM), np.maximum(off, _NEAREST_MM))
        off_mm.append(near.astype(np.float32))
    off_mm.append(np.full_like(off_mm[0], _SKY_MM))
    cells = library.ImageData(dimensions=np.shape(off_mm)[::-1])
    skin = cells.contour(
        [0.0], scalars=np.ravel(off_mm), method="flying_edges", compute_normals=False
    )
    i, j, layer = skin.points.T.astype(np.float64)
    x = grid.low_mm[0] + (i - 1.0) * grid.pitch_mm  # there is a rim of cells without stone
    y = grid.low_mm[1] + (j - 1.0) * grid.pitch_mm
    z = np.minimum(levels[0] + layer * (levels[1] - levels[0]), 0.0)
    triangles = skin.regular_faces[:, ::-1].astype(np.int64)  # they were laid as seen from inside
    return _without_crumbs(np.stack([x, y, z], axis=1), triangles)


def _without_crumbs(points: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """Leave off what hangs on nothing at the stone's edge: parts of cells at the base line."""
    ones, others = triangles[:, :2].ravel(), triangles[:, 1:].ravel()
    links = coo_array((np.ones(len(ones), np.int8), (ones, others)), shape=(len(points),) * 2)
    _, body = connected_components(links, directed=False)
    own = body[triangles[:, 0]]
    held = np.bincount(own, _shares_ml(points, triangles))
    whole = held[own] > _CRUMB * held.sum()
    used, number = np.unique(triangles[whole], return_inverse=True)
    return points[used], number.reshape(-1, 3)
