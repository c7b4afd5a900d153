"""Whether a scan is as large as an impression can be, and which unit would make it so."""

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError, UsageError
from volest.notes import Note
from volest.settings import MM_PER_UNIT

# Trays outside are 60-85 x 50-75 mm, a handle adds 25-45, a quadrant is 25-50 long (common
# practice, no source). A scan in a wrong unit is at least 10 times off, so between the usual and
# the possible a note is enough: nothing usual comes to lie there by a wrong unit of the four.
USUAL_MM = (25.0, 130.0)
POSSIBLE_MM = (15.0, 200.0)
OUTER_SHARE = 0.01  # of the surface, left out at each end: stray triangles must not decide
SAMPLE = 5_000  # triangles; 50 of them lie beyond each end, so one stray more or less is nothing
HEAVIEST = 100.0  # times the median area: a spike to a far point has few triangles, but large ones


def mm_per_unit(unit: str | None) -> float:
    """Return how many mm a unit is.

    Parameters
    ----------
    unit : str or None
        'mm', 'cm', 'm' or 'inch'; None is taken as mm.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    UsageError
        If it is none of those.

    Examples
    --------
    >>> mm_per_unit("inch")
    25.4
    """
    if unit is None:
        return 1.0
    if unit not in MM_PER_UNIT:
        raise UsageError(
            f"unit {unit!r}",
            needed="one of " + ", ".join(MM_PER_UNIT),
            remedy="write for example --unit cm",
        )
    return MM_PER_UNIT[unit]


def _three_digits(side_mm: float) -> str:
    return f"{side_mm:.0f}" if side_mm >= 100.0 else f"{side_mm:.3g}"  # noqa: PLR2004  # three digits


def longest_side_mm(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> float:
    """Measure the longest side of the box around the scan, without its stray parts.

    Along x, y and z the outermost 1 % of the surface at each end is left out, by area; a
    triangle counts with no more than 100 times the median area.

    Parameters
    ----------
    triangles : ndarray of float64, shape (n, 3, 3)
        Corners in mm.
    areas : ndarray of float64, shape (n,)
        Their areas in mm².

    Returns
    -------
    float
        Length in mm.

    Examples
    --------
    >>> corners = np.array([[[0.0, 0, 0], [60, 0, 0], [60, 40, 0]]])
    >>> longest_side_mm(corners, np.array([1200.0]))
    60.0
    """
    stride = -(-len(triangles) // SAMPLE)
    points = triangles[::stride].reshape(-1, 3)  # (3 m, 3)
    sampled = areas[::stride]
    # Not np.median: at its first call it loads masked arrays, which takes longer than the rest.
    median = np.partition(sampled, len(sampled) // 2)[len(sampled) // 2]
    weights = np.repeat(np.minimum(sampled, HEAVIEST * median), 3)
    sides = []
    for axis in range(3):
        order = np.argsort(points[:, axis])
        share = np.cumsum(weights[order])
        ends = np.searchsorted(share, share[-1] * np.array([OUTER_SHARE, 1 - OUTER_SHARE]))
        low, high = points[order[ends], axis]
        sides.append(float(high - low))
    return max(sides)


def check_scale(
    triangles: NDArray[np.float64], areas: NDArray[np.float64], unit: str | None
) -> tuple[Note, ...]:
    """Refuse a scan that cannot be an impression by its size, and note an unusual one.

    Parameters
    ----------
    triangles : ndarray of float64, shape (n, 3, 3)
        Corners in mm, as read with the unit.
    areas : ndarray of float64, shape (n,)
        Their areas in mm².
    unit : str or None
        Unit that was given.

    Returns
    -------
    tuple of Note
        'odd-size' outside of the usual 25 to 130 mm.

    Raises
    ------
    ScanError
        'scale' outside of 15 to 200 mm, with the units that would make it plausible.

    Examples
    --------
    >>> corners = np.array([[[0.0, 0, 0], [6, 0, 0], [6, 4, 0]]])
    >>> check_scale(corners, np.array([12.0]), None)
    Traceback (most recent call last):
    ...
    volest.errors.ScanError: found a longest side of 6 mm, read as mm; ...
    """
    side_mm = longest_side_mm(triangles, areas)
    if not POSSIBLE_MM[0] <= side_mm <= POSSIBLE_MM[1]:
        raise ScanError(
            f"a longest side of {_three_digits(side_mm)} mm, read as {unit or 'mm'}",
            needed=f"{POSSIBLE_MM[0]:.0f} to {POSSIBLE_MM[1]:.0f} mm",
            remedy=_advice(side_mm / mm_per_unit(unit)),
            code="scale",
        )
    if USUAL_MM[0] <= side_mm <= USUAL_MM[1]:
        return ()
    note = Note(
        code="odd-size",
        text=f"The longest side is {side_mm:.0f} mm; a quadrant is from {USUAL_MM[0]:.0f} mm, "
        f"a full arch with a tray handle up to {USUAL_MM[1]:.0f} mm.",
        do="Measure the impression with a ruler; if it differs, give the scan's --unit.",
    )
    return (note,)


def _advice(side: float) -> str:
    """Say which units would make a plausible impression of this side in the file's unit."""
    fits = {
        unit: side * factor
        for unit, factor in MM_PER_UNIT.items()
        if POSSIBLE_MM[0] <= side * factor <= POSSIBLE_MM[1]
    }
    listed = ", ".join(f"--unit {unit} makes it {side_mm:.0f} mm" for unit, side_mm in fits.items())
    if not fits:
        return f"no unit of {', '.join(MM_PER_UNIT)} makes it plausible: export the scan in mm"
    if len(fits) == 1:
        return f"{listed}: measure the impression, and give it if that is right"
    return f"{listed}: more than one could be meant, so measure the impression with a ruler"
