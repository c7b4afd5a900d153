"""Triangles that damage to a file has put out of their places: told, or refused, not mended."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volest.notes import Note
from volest.scan.checks import LEAST_UNFILLED, refuse_if_unfilled

SAMPLE = 8192  # triangles from which the usual one is taken
ZEROED_STRETCH = 20.0  # times the usual side: they reach from the scan to the origin


REPEATED = 3  # times the same: a second skin gives a triangle twice, no export gives it three times
DIGEST = np.uint64(0x9E3779B97F4A7C15)  # odd, its bits well mixed: 2 to the 64 by the golden ratio


def note_lost(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> tuple[Note, ...]:
    """Note or refuse triangles at 0, 0, 0, or the same again and again, as lost blocks leave them.

    The triangles, (n, 3, 3), are those before any without an area is dropped.
    """
    zeroed, repeated = _zeroed(triangles, areas), _repeated(triangles, areas)
    count = max(zeroed, repeated)
    if count < LEAST_UNFILLED:
        return ()
    at_zero = zeroed >= repeated  # what is zeros all through counts in both
    what = "lie at or reach to exactly 0, 0, 0" if at_zero else "stand there three times or more"
    refuse_if_unfilled(f"triangles that {what}", count, len(triangles))
    note = Note(
        code="zeroed",
        text=f"{count:,} triangles {what}, as in a file that lost a block",
        do="copy or export the scan again",
    )
    return (note if at_zero else replace(note, code="repeated"),)


def _repeated(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> int:
    """Count triangles that stand there three times or more, the same to the bit."""
    # The same triangle has the same area: few areas are met so often, and only those are compared.
    suspect = triangles[_often(areas.astype(np.float32))].reshape(-1, 9)  # sorted in half the time
    if len(suspect) < LEAST_UNFILLED:
        return 0
    bits = np.ascontiguousarray(suspect).view(np.uint64)
    key = np.zeros(len(bits), np.uint64)
    for column in bits.T:  # a digest of all nine coordinates: rows compared one by one take minutes
        key = (key ^ column ^ (column >> np.uint64(29))) * DIGEST
    return int(np.count_nonzero(_often(key)))


def _often(values: NDArray[Any]) -> NDArray[np.bool_]:
    """Which values are met three times or more."""
    ordered = np.sort(values)
    often = ordered[REPEATED - 1 :][ordered[REPEATED - 1 :] == ordered[: 1 - REPEATED]]
    if not len(often):
        return np.zeros(len(values), dtype=bool)
    often = often[np.append(True, often[1:] != often[:-1])]
    place = np.minimum(np.searchsorted(often, values), len(often) - 1)
    return np.asarray(often[place] == values)


def _zeroed(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> int:
    """Count triangles that lie at 0, 0, 0 with all corners, or are torn to it."""
    level = triangles[:, :, 0] == 0.0  # cheap, and nearly always enough to see that there is none
    if np.count_nonzero(level) < LEAST_UNFILLED:
        return 0
    at_origin = level & (triangles[:, :, 1] == 0.0) & (triangles[:, :, 2] == 0.0)  # (n, 3)
    return int(np.count_nonzero(at_origin.all(axis=1))) + _reaching(triangles, areas, at_origin)


def _reaching(
    triangles: NDArray[np.float64], areas: NDArray[np.float64], at_origin: NDArray[np.bool_]
) -> int:
    """Count triangles torn to the origin: far longer than the others, unlike a fan about it."""
    torn = at_origin.any(axis=1) & (areas > 0)
    others = ~at_origin.any(axis=1) & (areas > 0)
    if not torn.any() or not others.any():
        return 0
    sides = np.abs(triangles - np.roll(triangles, 1, axis=1)).max(axis=(1, 2))
    stretched = np.median(sides[torn]) >= ZEROED_STRETCH * np.median(sides[others])
    return int(np.count_nonzero(torn)) if stretched else 0


NEEDLE_AREA = 8.0  # times the usual area: what is looked at more closely
NEEDLE_LONG = 15.0  # times the usual side, and
NEEDLE_LONG_MM = 3.0  # over any gap between views
NEEDLE_ALONE = 2  # sides that no other triangle shares: both long ones
NEEDLE_WIDE = 0.25  # of the long sides: the third one, still where it belongs


def note_needles(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> tuple[Note, ...]:
    """Note triangles that reach far across the scan and hang on to nothing there.

    A corner that was changed in the file, or that a face took from elsewhere, leaves them; two of
    them across a cavity shift its volume by more than its interval.
    """
    usual_mm2 = np.median(areas[:: -(-len(areas) // SAMPLE)])
    # Of an equilateral triangle: area = sqrt(3) / 4 times the square of its side.
    long_mm = max(NEEDLE_LONG * np.sqrt(usual_mm2 * 4.0 / np.sqrt(3.0)), NEEDLE_LONG_MM)
    if not _thin(triangles[areas > NEEDLE_AREA * usual_mm2], long_mm).any():
        return ()
    long = triangles[_sides_mm(triangles).max(axis=1) > long_mm]
    alone = _alone(long) & (_sides_mm(long) > long_mm)  # (m, 3)
    needles = int(np.count_nonzero(_thin(long, long_mm) & (alone.sum(axis=1) == NEEDLE_ALONE)))
    if not needles:
        return ()
    note = Note(
        code="needles",
        text=f"{needles:,} long thin triangles reach across the scan and hang on to nothing there",
        do="export the scan again; if they stay, clean the mesh",
    )
    return (note,)


def _sides_mm(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lengths of the sides that end at each corner, (n, 3)."""
    return np.asarray(np.linalg.norm(triangles - np.roll(triangles, 1, axis=1), axis=2))


def _thin(triangles: NDArray[np.float64], long_mm: float) -> NDArray[np.bool_]:
    sides = np.sort(_sides_mm(triangles), axis=1)
    return np.asarray((sides[:, 1] > long_mm) & (sides[:, 0] < NEEDLE_WIDE * sides[:, 1]))


def _alone(triangles: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which sides, those that end at each corner, belong to one triangle only; (n, 3)."""
    one, other = triangles, np.roll(triangles, 1, axis=1)
    # Both directions of a side are one: its ends are put in order, by x, then y, then z.
    differs = one != other
    axis = np.argmax(differs, axis=2)[..., None]
    swap = np.take_along_axis(one, axis, 2) > np.take_along_axis(other, axis, 2)
    ends = np.concatenate([np.where(swap, other, one), np.where(swap, one, other)], axis=2)
    _, kind, count = np.unique(ends.reshape(-1, 6), axis=0, return_inverse=True, return_counts=True)
    return np.asarray(count[kind.ravel()].reshape(-1, 3) == 1)
