"""What must hold of a file and of its triangles: neither too large nor too short, sound numbers."""

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.compiling import in_parts, loops

MAX_BYTES = 2_000_000_000  # a scan of 30 million triangles as binary STL takes 1.5 GB
MAX_TEXT_BYTES = 1_000_000_000  # numbers read from text take up to three times the file's own size
MAX_TRIANGLES = 30_000_000  # scanners give 0.1 to 2 million; beyond this memory, not truth, decides
ABSURD_FACTOR = 100  # a file cut short still holds a fair share of itself; 1 % of it is no cut
LONG_FIGURE = 10**15  # longer ones are written as powers of ten, so that a line stays a line
# Of a scan's triangles: what was never filled in is surface that is not there, and a floor of which
# a tenth is missing is refused as well. In sound scans a handful of triangles meet in any one
# point, 0, 0, 0 included: fewer than ten say nothing.
MOST_UNFILLED, LEAST_UNFILLED = 0.1, 10
WAIT = "wait until the copy has finished, or export the scan again"
RESCAN = "export or copy the scan again and compare the file sizes"
LOOPS = "volest.scan.reading_loops"
FARTHEST_MM = 1e6  # a kilometre from the scanner's own zero is no scan, whatever its size
BLOCK = 8192  # triangles at a time: they stay in the processor's cache, which halves the time
# Exporters leave slivers, and they change nothing; a collapsed mesh is mostly those.
MANY_SHARE = 0.5


def refuse_if_short(what: str, stated: int, room: int) -> None:
    """Refuse a file that states more than it can hold, before anything is set aside for it."""
    if stated <= room and 0 <= stated <= MAX_TRIANGLES:
        return
    if 0 <= stated <= room:
        raise ScanError(
            f"{stated:,} {what}",
            needed=f"{MAX_TRIANGLES:,} at most",
            remedy="export the scan with fewer triangles",
            code="too-large",
        )
    figure = f"{stated:,}" if stated < LONG_FIGURE else f"{stated:.0e}"
    absurd = stated < 0 or stated > max(ABSURD_FACTOR * room, MAX_TRIANGLES)
    raise ScanError(
        f"a file that states {figure} {what} and has room for {room:,}",
        needed="a file that holds what it states",
        remedy=RESCAN,
        code="absurd-count" if absurd else "truncated",
    )


def refuse_if_large(size: int, *, text: bool) -> None:
    """Refuse a file, of so many bytes, whose triangles would not fit into a usual memory."""
    most = MAX_TEXT_BYTES if text else MAX_BYTES
    if size > most:
        raise ScanError(
            f"{size / 1e9:.1f} GB",
            needed=f"{most / 1e9:.0f} GB at most",
            remedy="export the scan as binary, or with fewer triangles",
            code="too-large",
        )


def refuse_if_unfilled(what: str, count: int, of: int) -> None:
    """Refuse a file of full size that is largely not filled in, as a copy that goes on is."""
    if count < LEAST_UNFILLED or count <= MOST_UNFILLED * of:
        return
    raise ScanError(
        f"{count:,} of {of:,} {what}",
        needed="a file that is filled to its end",
        remedy=WAIT,
        code="truncated",
    )


def damaged(found: str, needed: str) -> ScanError:
    """Make the refusal of a mesh whose text or header does not follow its format."""
    return ScanError(found, needed=needed, remedy="export the scan again", code="damaged")


def truncated(found: str, needed: str) -> ScanError:
    """Make the refusal of a file that ends before the mesh does."""
    return ScanError(found, needed=needed, remedy=RESCAN, code="truncated")


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
    """Measure the areas, (n,), of triangles, (n, 3, 3): half the cross product of two sides.

    >>> areas_mm2(np.array([[[0.0, 0, 0], [3, 0, 0], [0, 4, 0]]]))
    array([6.])
    """
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
