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
# A full arch is 40 mm or longer; a shorter scan is of a few teeth, whose crowns alone are 7 to
# 11 mm high [Wheeler], tray and flange not counted. Trays are 15-30 mm high outside; a toothless
# ridge is low, a handle may rise (common practice, no source). An inch is 2.54 cm: what is usual in
# one of them is too low or too high in the other.
FULL_ARCH_MM = 40.0
PART_HEIGHT_MM = 12.0
HEIGHT_MM = (7.0, 45.0)
OUTER_SHARE = 0.01  # of the surface, left out at each end: stray triangles must not decide
SAMPLE = 5_000  # triangles; 50 of them lie beyond each end, so one stray more or less is nothing
HEAVIEST = 100.0  # times the median area: a spike to a far point has few triangles, but large ones


def mm_per_unit(unit: str | None) -> float:
    """Return how many mm a unit is; None is taken as mm."""
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


def sides_mm(triangles: NDArray[np.float64], areas: NDArray[np.float64]) -> tuple[float, float]:
    """Measure the scan's longest side along x, y or z, and its height along its thinnest way.

    At each end the outermost 1 % of the surface is left out, by area; a triangle counts with no
    more than 100 times the median area.
    """
    stride = -(-len(triangles) // SAMPLE)
    points = np.ascontiguousarray(triangles[::stride].reshape(-1, 3).T)  # (3, 3 m)
    sampled = areas[::stride]
    # Not np.median: at its first call it loads masked arrays, which takes longer than the rest.
    median = np.partition(sampled, len(sampled) // 2)[len(sampled) // 2]
    weights = np.repeat(np.minimum(sampled, HEAVIEST * median), 3)
    low, high = _ends(points, weights)
    held = np.clip(points, low[:, None], high[:, None])  # else a far stray would turn the axes
    held -= (held @ weights / weights.sum())[:, None]
    # Over a triangle the square of a length sums to that at its corners and that of their sum.
    sums = held[:, ::3] + held[:, 1::3] + held[:, 2::3]
    _, axes = np.linalg.eigh((held * weights) @ held.T + (sums * weights[::3]) @ sums.T)
    thin_low, thin_high = _ends(axes[:, 0] @ points[None], weights)
    return float((high - low).max()), float((thin_high - thin_low)[0])


def _ends(
    points: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find between which coordinates, row by row, all but the outermost surface lies."""
    low, high = np.empty(len(points)), np.empty(len(points))
    for axis, row in enumerate(points):
        order = np.argsort(row)
        share = np.cumsum(weights[order])
        ends = np.searchsorted(share, share[-1] * np.array([OUTER_SHARE, 1 - OUTER_SHARE]))
        low[axis], high[axis] = row[order[ends]]
    return low, high


def check_scale(
    triangles: NDArray[np.float64], areas: NDArray[np.float64], unit: str | None
) -> tuple[Note, ...]:
    """Refuse triangles in mm that cannot be an impression by their size; note an unusual one."""
    side_mm, height_mm = sides_mm(triangles, areas)
    in_file = (side_mm / mm_per_unit(unit), height_mm / mm_per_unit(unit))
    if not POSSIBLE_MM[0] <= side_mm <= POSSIBLE_MM[1]:
        raise ScanError(
            f"a longest side of {_three_digits(side_mm)} mm, read as {unit or 'mm'}",
            needed=f"{POSSIBLE_MM[0]:.0f} to {POSSIBLE_MM[1]:.0f} mm",
            remedy=_advice(*in_file),
            code="scale",
        )
    odd = _odd(side_mm, height_mm)
    if odd is None:
        return ()
    likely = _likely(*in_file)
    note = Note(
        "odd-size",
        odd=odd,
        unit=unit or "mm",
        side_mm=side_mm,
        height_mm=height_mm,
        limits_mm=_LIMITS_MM[odd],
        better_unit=likely,
        better_mm=tuple(side * MM_PER_UNIT[likely] for side in in_file) if likely else (),
    )
    return (note,)


# In which way a scan is odd, and what the note on it compares with.
_LIMITS_MM = {"side": USUAL_MM, "part": (PART_HEIGHT_MM, FULL_ARCH_MM), "height": HEIGHT_MM}


def _odd(side_mm: float, height_mm: float) -> str | None:
    """Say in which way no usual impression is of this length and height."""
    if not USUAL_MM[0] <= side_mm <= USUAL_MM[1]:
        return "side"
    if side_mm < FULL_ARCH_MM and height_mm < PART_HEIGHT_MM:
        return "part"
    return None if HEIGHT_MM[0] <= height_mm <= HEIGHT_MM[1] else "height"


def _likely(side: float, height: float) -> str | None:
    """Name the one unit that makes a usual impression of these, given in the file's unit."""
    usual = [
        unit for unit, factor in MM_PER_UNIT.items() if not _odd(side * factor, height * factor)
    ]
    return usual[0] if len(usual) == 1 else None


def _advice(side: float, height: float) -> str:
    """Say which units would make a plausible impression of these, given in the file's unit."""
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
    likely = _likely(side, height)
    heights = ", ".join(f"{height * MM_PER_UNIT[unit]:.0f} mm in {unit}" for unit in fits)
    which = f", {likely} is likelier by the height ({heights})" if likely else ""
    return f"{listed}: more than one could be meant{which}, so measure the impression with a ruler"
