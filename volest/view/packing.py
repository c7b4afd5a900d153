"""Surfaces and maps small enough to travel inside a page: thinned, 16 bits a number, base64."""

import base64
from typing import Any

import numpy as np
import numpy.typing as npt

from volest.cavity.columns import Ints
from volest.cavity.frame import Floats
from volest.view.mesh import Mesh, unit

MOST_POINTS = 16_000  # some 0.45 MB a scan; 20 scans stay under 20 MB
_FIRST_CELL_MM, _WIDER = 0.5, 1.25  # of the lattice, widened until few enough are left
_TOP_16, _TOP_8 = 65535.0, 127.0
_LEAST_MM = 1e-6  # what is level all over still has a size to divide by


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
