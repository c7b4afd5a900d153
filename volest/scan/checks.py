"""What must hold of triangles from any file: finite, in reach, with an area."""

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.compiling import in_parts, loops

LOOPS = "volest.scan.reading_loops"
FARTHEST_MM = 1e6  # a kilometre from the scanner's own zero is no scan, whatever its size
BLOCK = 8192  # triangles at a time: they stay in the processor's cache, which halves the time


def refuse_not_finite(triangles: NDArray[np.float64]) -> None:
    """Refuse coordinates in mm, (n, 3, 3), that are no numbers, or are out of all reach."""
    if not triangles.size:
        return
    fast = loops(LOOPS)
    if fast is not None and fast.all_within(np.ascontiguousarray(triangles), FARTHEST_MM):
        return
    lowest, highest = float(triangles.min()), float(triangles.max())  # both NaN if any is
    if lowest >= -FARTHEST_MM and highest <= FARTHEST_MM:
        return
    bad = int((~(np.abs(triangles) <= FARTHEST_MM)).any(axis=(1, 2)).sum())
    raise ScanError(
        f"{bad:,} of {len(triangles):,} triangles with a coordinate that is not a number, "
        f"or lies more than {FARTHEST_MM / 1e6:g} km out",
        needed="finite coordinates",
        remedy="mend the mesh in the scanner's program and export it again",
        code="not-finite",
    )


def areas_mm2(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Measure the areas, (n,), of triangles, (n, 3, 3): half the cross product of two sides."""
    areas = np.empty(len(triangles))
    fast = loops(LOOPS)
    if fast is not None:
        rows = np.ascontiguousarray(triangles)
        in_parts(lambda run: fast.write_areas(rows[run], areas[run]), len(rows))
        return areas
    for start in range(0, len(triangles), BLOCK):
        corners = np.ascontiguousarray(triangles[start : start + BLOCK].reshape(-1, 9).T)  # (9, b)
        ax, ay, az = corners[3:6] - corners[0:3]
        bx, by, bz = corners[6:9] - corners[0:3]
        squared = (ay * bz - az * by) ** 2 + (az * bx - ax * bz) ** 2 + (ax * by - ay * bx) ** 2
        areas[start : start + BLOCK] = 0.5 * np.sqrt(squared)
    return areas


MANY_SHARE = (
    0.5  # exporters leave slivers, and they change nothing; a collapsed mesh is mostly those
)


def drop_degenerate(
    triangles: NDArray[np.float64], areas: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[Note, ...]]:
    """Drop triangles, and their areas in mm², where the area is exactly zero; many are noted."""
    keep = areas > 0
    dropped = len(keep) - int(np.count_nonzero(keep))
    if dropped == len(keep):
        raise ScanError(
            f"{dropped:,} triangles, none with an area" if dropped else "no triangles",
            needed="a surface of triangles",
            remedy="export the scan again",
            code="no-triangles",
        )
    if dropped <= MANY_SHARE * len(keep):
        return (triangles[keep], areas[keep], ()) if dropped else (triangles, areas, ())
    note = Note(
        code="degenerate",
        text=f"{dropped:,} of {len(keep):,} triangles have no area and were dropped",
        do="look whether the scan is whole; export it again",
    )
    return triangles[keep], areas[keep], (note,)
