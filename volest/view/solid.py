"""The stone of a cavity as a closed solid: a cast before the cast.

The measured columns say in which cell, from where to where, stone stands. Between the cells'
middles and levels of height the skin is led through tetrahedra (marching tetrahedra; six to a cube,
all along one diagonal, after Freudenthal): a closed surface whose every edge joins two triangles,
whatever the columns hold. Its top is the base line itself.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from volest.cavity.frame import Bools, Floats, Ints
from volest.errors import ScanError
from volest.pipeline import Cavity
from volest.storage import write_whole

_MOST_LEVELS = 200  # a level is as high as a cell is wide, unless the cavity is deeper than these
_NEAREST = 0.02  # of an edge: a corner keeps off its ends, so that STL's short numbers part corners
_FAR_MM = 1e3  # beside all columns
_MOST_SHIFT_MM = 0.1  # of the skin, to the volume that was measured: scans are no finer
_CRUMB = 1e-4  # of the whole: what is smaller and by itself is no stone to be seen
_SOME = 1e-9
_SAME_SHARE = 1e-5  # of the volume
_MOST_SHIFTS = 8  # two or three were enough for the samples
# A cube's corners are numbered by bits, x + 2 y + 4 z; a tetrahedron goes from 0 to 7 along axes.
_TETRAHEDRA = [(0, 1, 3, 7), (0, 2, 6, 7), (0, 4, 5, 7), (0, 3, 2, 7), (0, 6, 4, 7), (0, 5, 1, 7)]
Cut = Callable[[int], list[list[tuple[int, int]]]]
_TOP = [(4, 5, 7), (4, 7, 6)]  # the faces of these in the cube's top, anticlockwise from above


def _cut_tetrahedron(inside: int) -> list[list[tuple[int, int]]]:
    """Give the triangles between corners inside (bits) and outside, a corner an edge's two ends.

    >>> _cut_tetrahedron(0b0001)
    [[(0, 1), (0, 2), (0, 3)]]
    """
    ins = [k for k in range(4) if inside >> k & 1]
    if len(ins) in (0, 4):
        return []
    if len(ins) == 2:  # noqa: PLR2004  # two and two
        p, q = ins
        r, s = {(0, 1): (2, 3), (0, 2): (3, 1), (0, 3): (1, 2), (1, 2): (0, 3), (1, 3): (2, 0)}.get(
            (p, q), (0, 1)
        )
        return [[(p, r), (p, s), (q, s)], [(p, r), (q, s), (q, r)]]
    lone = ins[0] if len(ins) == 1 else 6 - sum(ins)
    b, c, d = [(1, 2, 3), (0, 3, 2), (3, 0, 1), (2, 1, 0)][lone]
    made = [(lone, b), (lone, c), (lone, d)]
    return [made if len(ins) == 1 else made[::-1]]


def _cut_triangle(inside: int) -> list[list[tuple[int, int]]]:
    """Give the part of a triangle round its corners inside (bits); a corner is an edge to itself.

    >>> _cut_triangle(0b100)
    [[(2, 2), (2, 0), (2, 1)]]
    """
    ins = [k for k in range(3) if inside >> k & 1]
    if len(ins) == 3:  # noqa: PLR2004  # all
        return [[(0, 0), (1, 1), (2, 2)]]
    if len(ins) == 1:
        a = ins[0]
        return [[(a, a), (a, (a + 1) % 3), (a, (a + 2) % 3)]]
    if not ins:
        return []
    out = 3 - sum(ins)
    b, c = (out + 1) % 3, (out + 2) % 3
    return [[(b, b), (c, c), (c, out)], [(b, b), (c, out), (b, out)]]


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
    wanted_ml, shift_mm, step_mm = cavity.volume.best_ml, 0.0, 0.01
    points, triangles = _skin(cavity, shift_mm)
    held_ml = _volume_ml(points, triangles)
    for _ in range(_MOST_SHIFTS):
        if abs(held_ml - wanted_ml) <= _SAME_SHARE * wanted_ml or abs(shift_mm) > _MOST_SHIFT_MM:
            break
        before_ml, shift_mm = held_ml, shift_mm + step_mm
        points, triangles = _skin(cavity, shift_mm)
        held_ml = _volume_ml(points, triangles)
        step_mm *= (wanted_ml - held_ml) / (held_ml - before_ml)
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


def _volume_ml(points: Floats, triangles: Ints) -> float:
    return float(_shares_ml(points, triangles).sum())


def _shares_ml(points: Floats, triangles: Ints) -> Floats:
    """Give the tetrahedra (m,) between the points' middle and the triangles (Gauss)."""
    a, b, c = (points[triangles[:, k]] - points.mean(axis=0) for k in range(3))
    return np.asarray(np.einsum("ij,ij->i", a, np.cross(b, c)) / 6000.0)


def _skin(cavity: Cavity, shift_mm: float) -> tuple[Floats, Ints]:
    """Lead the skin round the stone: corners (n, 3), heights over the base line, and triangles."""
    grid, levels = cavity.rooms.grid, _levels_mm(cavity)
    rows, across = (count + 2 for count in grid.shape)  # with a rim of cells without stone
    ends, heights = [], []
    for number, (low, high) in enumerate(pairwise(_layers(cavity, levels, shift_mm))):
        slab = np.stack([low, high])
        corner, first = slab.ravel(), number * low.size
        for nodes, cut in _shapes(slab, is_last=number == len(levels) - 2):
            for edges in _crossed(corner[nodes] < 0.0, nodes, cut):
                ends.append(edges.reshape(-1, 2) + first)
                heights.append(corner[edges.reshape(-1, 2)])
    pairs, values = np.concatenate(ends), np.concatenate(heights)
    turned = pairs[:, 0] > pairs[:, 1]
    pairs[turned], values[turned] = pairs[turned][:, ::-1], values[turned][:, ::-1]
    _, kept, number = np.unique(
        pairs[:, 0] * (len(levels) * rows * across) + pairs[:, 1],
        return_index=True,
        return_inverse=True,
    )
    pairs, values = pairs[kept], values[kept]
    layer, cell = np.divmod(pairs, rows * across)
    j, i = np.divmod(cell, across)
    x = grid.low_mm[0] + (i - 1) * grid.pitch_mm
    y = grid.low_mm[1] + (j - 1) * grid.pitch_mm
    places = np.stack([x, y, levels[layer]], axis=2)  # (n, 2, 3)
    apart = values[:, 0] - values[:, 1]
    along = np.clip(values[:, 0] / np.where(apart, apart, 1.0), _NEAREST, 1.0 - _NEAREST)[:, None]
    return _without_crumbs(
        places[:, 0] + along * (places[:, 1] - places[:, 0]), number.reshape(-1, 3)
    )


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


def _levels_mm(cavity: Cavity) -> Floats:
    """Give heights over the base line, from one below all stone up to 0."""
    deep_mm = -float(cavity.rooms.floor_mm.min())
    step_mm = max(cavity.rooms.grid.pitch_mm, deep_mm / _MOST_LEVELS)
    return -step_mm * np.arange(int(deep_mm / step_mm) + 2, -1.0, -1.0)


def _layers(cavity: Cavity, levels: Floats, shift_mm: float) -> Iterator[Floats]:
    """Give, level by level, how far off the stone every cell's middle is: below 0 in the stone.

    It is a height, so that between two cells the skin runs where a slope between them does.
    """
    rooms = cavity.rooms
    starts = np.flatnonzero(np.diff(rooms.cell, prepend=-1))
    own = rooms.cell[starts]
    for level in levels:
        away = np.maximum(rooms.floor_mm - level, level - rooms.roof_mm)
        value = np.full(rooms.grid.shape, np.nan)
        value.ravel()[own] = np.minimum.reduceat(away, starts) - shift_mm
        padded = np.pad(value, 1, constant_values=np.nan)
        # Beside the columns a wall is put up: between two cells, half way.
        inside = padded < 0.0
        share = uniform_filter(inside.astype(np.float64), 3)
        depth = uniform_filter(np.where(inside, -padded, 0.0), 3)
        wall = np.where(share > _SOME, depth / np.maximum(share, _SOME), _FAR_MM)
        yield np.where(np.isnan(padded), wall, padded)


def _shapes(slab: Floats, *, is_last: bool) -> Iterator[tuple[Ints, Cut]]:
    """Give the nodes (n, 4 or 3) of the tetrahedra in a slab, and of its top's triangles."""
    _, rows, across = slab.shape
    offsets = np.array(
        [(k & 1) + (k >> 1 & 1) * across + (k >> 2) * rows * across for k in range(8)]
    )
    cubes = np.arange(rows * across).reshape(rows, across)[:-1, :-1].ravel()
    inside = (slab.ravel() < 0.0)[cubes[:, None] + offsets]
    mixed = cubes[inside.any(axis=1) & ~inside.all(axis=1)]
    for corners in _TETRAHEDRA:
        yield mixed[:, None] + offsets[list(corners)], _cut_tetrahedron
    if is_last:
        for face in _TOP:
            yield cubes[:, None] + offsets[list(face)], _cut_triangle


def _crossed(inside: Bools, nodes: Ints, cut: Cut) -> Iterator[Ints]:
    """Give the corners (n, 3, 2) of triangles, each by the ends of the edge that it lies on."""
    kind = inside @ (1 << np.arange(inside.shape[1]))
    for bits in range(1, 1 << inside.shape[1]):
        for triangle in cut(bits):
            yield nodes[kind == bits][:, np.array(triangle)]
