"""Meshes of other libraries as scans: known by what they have, not by who made them."""

from pathlib import Path
from typing import Any

import numpy as np

from volest.errors import ScanError
from volest.scan.reading import Scan, scan_of

_CORNERS = 3


def scan_from_mesh(mesh: object, *, name: str = "mesh", unit: str | None = None) -> Scan:
    """Take the triangles of a mesh that another library holds; it is not changed.

    It has ``triangles``, (n, 3, 3), as trimesh has them, or ``points`` and ``triangulate()``, as
    pyvista has them; or it is an array, (n, 3, 3), itself. Lengths are in the unit, else in mm.
    """
    try:
        found = np.array(_corners(mesh), dtype=np.float64)  # (n, 3, 3), a copy
    except (TypeError, ValueError) as fault:
        raise _no_mesh(mesh) from fault
    if found.ndim != _CORNERS or found.shape[1:] != (_CORNERS, _CORNERS) or not len(found):
        raise _no_mesh(mesh)
    return scan_of(found, path=Path(name), unit=unit)


def _corners(mesh: Any) -> object:
    if isinstance(mesh, np.ndarray):
        return mesh
    if hasattr(mesh, "triangulate") and hasattr(mesh, "points"):
        whole = mesh.triangulate()
        faces = np.asarray(whole.faces).reshape(-1, 1 + _CORNERS)[:, 1:]  # each led by its count
        return np.asarray(whole.points)[faces]
    return getattr(mesh, "triangles", None)


def _no_mesh(mesh: object) -> ScanError:
    return ScanError(
        f"a {type(mesh).__name__} without triangles",
        needed="a triangle mesh",
        remedy="give a path, a mesh of trimesh or pyvista, or an array of shape (n, 3, 3)",
        code="not-a-mesh",
    )
