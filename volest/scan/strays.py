"""Triangles that damage to a file has torn out of their places: told, not mended."""

import numpy as np
from numpy.typing import NDArray

from volest.notes import Note

SAMPLE = 8192  # triangles from which the usual one is taken
ZEROED_LEAST = 10  # triangles; in sound scans a handful meet in any one point, 0, 0, 0 included
ZEROED_STRETCH = 20.0  # times the usual side: they reach from the scan to the origin


def note_zeroed(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> tuple[Note, ...]:
    """Note triangles at, or reaching to, exactly 0, 0, 0: a file that lost a block reads like that.

    Parameters
    ----------
    triangles : ndarray of float64, shape (n, 3, 3)
        Corners in mm, before those without an area are dropped.
    areas : ndarray of float64, shape (n,)
        Their areas in mm².

    Returns
    -------
    tuple of Note
        'zeroed', or none.

    Examples
    --------
    >>> note_zeroed(np.array([[[0.0, 0, 0], [3, 0, 0], [0, 4, 0]]]), np.array([6.0]))
    ()
    """
    level = triangles[:, :, 0] == 0.0  # cheap, and nearly always enough to see that there is none
    if np.count_nonzero(level) < ZEROED_LEAST:
        return ()
    at_origin = level & (triangles[:, :, 1] == 0.0) & (triangles[:, :, 2] == 0.0)  # (n, 3)
    count = int(np.count_nonzero(at_origin.all(axis=1))) + _reaching(triangles, areas, at_origin)
    if count < ZEROED_LEAST:
        return ()
    note = Note(
        code="zeroed",
        text=f"{count:,} triangles lie at or reach to exactly 0, 0, 0, as in a file that lost a "
        "block",
        do="copy or export the scan again",
    )
    return (note,)


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

    Parameters
    ----------
    triangles : ndarray of float64, shape (n, 3, 3)
        Corners in mm.
    areas : ndarray of float64, shape (n,)
        Their areas in mm².

    Returns
    -------
    tuple of Note
        'needles', or none.

    Examples
    --------
    >>> flat = np.array([[[0.0, 0, 0], [3, 0, 0], [0, 4, 0]]])
    >>> note_needles(flat, np.array([6.0]))
    ()
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
