"""What must hold of a file and of its triangles: neither too large nor too short, sound numbers."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError, UsageError
from volest.notes import Note
from volest.scan.compiling import ALL_THREADS, in_parts, loops
from volest.settings import FARTHEST_MM, MM_PER_UNIT

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
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
BLOCK = 8192  # triangles at a time: they stay in the processor's cache, which halves the time
# Exporters leave slivers, and they change nothing; a collapsed mesh is mostly those.
MANY_SHARE = 0.5
# Triangles that damage to a file has put out of their places: told, or refused, not mended.
ZEROED_STRETCH = 20.0  # times the usual side: they reach from the scan to the origin
REPEATED = 3  # times the same: a second skin gives a triangle twice, no export gives it three times
DIGEST = np.uint64(0x9E3779B97F4A7C15)  # odd, its bits well mixed: 2 to the 64 by the golden ratio
MIXER = np.uint64(0xC2B2AE3D27D4EB4F)  # another
HALF = np.uint64(32)  # of its bits
NEEDLE_AREA = 8.0  # times the usual area: what is looked at more closely
NEEDLE_LONG = 15.0  # times the usual side, and
NEEDLE_LONG_MM = 3.0  # over any gap between views
NEEDLE_ALONE = 2  # sides that no other triangle shares: both long ones
NEEDLE_WIDE = 0.25  # of the long sides: the third one, still where it belongs


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


def floats(words: list[bytes], what: str, needed: str) -> Floats:
    """Turn words of a text into numbers, and refuse one that is none in the place of what."""
    try:
        return np.fromiter(map(float, words), np.float64, len(words))
    except ValueError as fault:
        word = str(fault).rpartition(":")[2].strip().lstrip("b")[:40]
        raise damaged(f"{word} where {what} belongs", needed) from fault


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """So many triangles, in blocks of (b, 3, 3), each to be used before the next is asked for."""

    count: int
    of: Callable[[int], Iterable[NDArray[Any]]]  # so many a block, but for the last


Looked = tuple[Floats, Floats, NDArray[np.uint32], int]


def look_over(given: NDArray[Any] | Blocks, factor: float = 1.0) -> Looked:
    """Give triangles in mm, their areas in mm2 and digests, (n,), and how many corners are zero.

    All in one pass over (n, 3, 3), each times the factor; coordinates out of all reach are refused.
    The triangles lie coordinate by coordinate in memory, as all stages want them.
    """
    fast = loops(LOOPS)
    at_once = BLOCK if fast is None else ALL_THREADS
    if isinstance(given, Blocks):
        count, blocks = given.count, given.of(at_once)
    else:
        count = len(given)
        blocks = (given[start : start + at_once] for start in range(0, count, at_once))
    out = np.empty((3, 3, count)), np.empty(count), np.empty(count, np.uint32)
    look = _look_over if fast is None else fast.look_over

    def part(block: NDArray[Any], first: int, run: slice) -> tuple[int, int]:
        return look(block[run], first + run.start, factor, FARTHEST_MM, out)

    first, counts = 0, [(0, 0)]
    for block in blocks:
        counts += in_parts(partial(part, block, first), len(block))
        first += len(block)
    far, zeros = map(sum, zip(*counts, strict=True))
    triangles = out[0].transpose(2, 1, 0)
    if far:
        bad = int((~(np.abs(triangles) <= FARTHEST_MM)).any(axis=(1, 2)).sum())
        raise ScanError(
            f"{bad:,} of {len(triangles):,} triangles with a coordinate that is not a number, "
            f"or lies more than {FARTHEST_MM / 1e6:g} km out",
            needed="finite coordinates",
            remedy="mend the mesh in the scanner's program and export it again",
            code="not-finite",
        )
    return triangles, out[1], out[2], zeros


def _look_over(
    block: NDArray[Any], first: int, factor: float, reach: float, out: tuple[NDArray[Any], ...]
) -> tuple[int, int]:
    corners, areas, keys = (each[..., first : first + len(block)] for each in out)
    np.multiply(block.transpose(2, 1, 0), factor, out=corners, dtype=np.float64)
    (ax, ay, az), (bx, by, bz) = (corners[:, k] - corners[:, 0] for k in (1, 2))
    squared = (ay * bz - az * by) ** 2 + (az * bx - ax * bz) ** 2 + (ax * by - ay * bx) ** 2
    areas[:] = 0.5 * np.sqrt(squared)
    x, y, z = corners.view(np.uint64)  # (3, b) each
    mixed = x ^ (y >> np.uint64(1)) ^ (z >> np.uint64(2))
    key = mixed[0] ^ (mixed[1] * DIGEST) ^ (mixed[2] * MIXER)
    keys[:] = key ^ (key >> HALF)
    far = ~(np.abs(corners) <= reach)
    return int(np.count_nonzero(far)), int(np.count_nonzero((corners == 0.0).all(axis=0)))


def areas_mm2(triangles: Floats) -> Floats:
    """Measure the areas, (n,), of triangles, (n, 3, 3): half the cross product of two sides.

    >>> areas_mm2(np.array([[[0.0, 0, 0], [3, 0, 0], [0, 4, 0]]]))
    array([6.])
    """
    return look_over(triangles)[1]


def drop_degenerate(triangles: Floats, areas: Floats) -> tuple[Floats, Floats, tuple[Note, ...]]:
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
    if not dropped:
        return triangles, areas, ()
    left = triangles.transpose(2, 1, 0)[..., keep].transpose(2, 1, 0)  # coordinate by coordinate
    note = Note("degenerate", count=dropped, what="triangles", of=len(keep))
    return left, areas[keep], (note,) if dropped > MANY_SHARE * len(keep) else ()


def note_lost(
    triangles: Floats, areas: Floats, keys: NDArray[np.uint32], zeros: int
) -> tuple[Note, ...]:
    """Note or refuse triangles at 0, 0, 0, or the same again and again, as lost blocks leave them.

    The triangles, (n, 3, 3), are those before any without an area is dropped; then what looking
    over them gave.
    """
    zeroed = _zeroed(triangles, areas) if zeros >= LEAST_UNFILLED else 0
    repeated = _repeated(triangles, keys)
    count = max(zeroed, repeated)
    if count < LEAST_UNFILLED:
        half = len(triangles) // 2
        one, other = triangles[:half], triangles[half : 2 * half]
        # A mesh put in twice, or half of one lost.
        is_twice = half and np.array_equal(one[:1], other[:1]) and np.array_equal(one, other)
        return (Note("repeated", count=half, what="half"),) if is_twice else ()
    at_zero = zeroed >= repeated  # what is zeros all through counts in both
    what = "lie at or reach to exactly 0, 0, 0" if at_zero else "stand there three times or more"
    refuse_if_unfilled(f"triangles that {what}", count, len(triangles))
    return (
        Note("zeroed", count=count) if at_zero else Note("repeated", count=count, what="triangles"),
    )


def _repeated(triangles: Floats, keys: NDArray[np.uint32]) -> int:
    """Count triangles that stand there three times or more, the same to the bit."""
    # What has a digest so often, as hardly any does by chance, is compared whole.
    ordered = np.sort(keys)
    often = ordered[REPEATED - 1 :][ordered[REPEATED - 1 :] == ordered[: 1 - REPEATED]]
    count = np.bincount(same_rows(triangles[np.isin(keys, often)].reshape(-1, 9)))
    return int(count[count >= REPEATED].sum())


def _zeroed(triangles: Floats, areas: Floats) -> int:
    """Count triangles that lie at 0, 0, 0, or are torn to it: far longer, unlike a fan about it."""
    at_origin = (triangles == 0.0).all(axis=2)  # (n, 3)
    zeroed = at_origin.all(axis=1)
    torn = at_origin.any(axis=1) & (areas > 0)
    others = ~at_origin.any(axis=1) & (areas > 0)
    if torn.any() and others.any():
        sides = np.abs(triangles - np.roll(triangles, 1, axis=1)).max(axis=(1, 2))
        if np.median(sides[torn]) >= ZEROED_STRETCH * np.median(sides[others]):
            zeroed = zeroed | torn  # one that has an area does not lie there with all corners
    return int(np.count_nonzero(zeroed))


def note_needles(triangles: Floats, areas: Floats) -> tuple[Note, ...]:
    """Note triangles that reach far across the scan and hang on to nothing there.

    A corner that was changed in the file, or that a face took from elsewhere, leaves them; two of
    them across a cavity shift its volume by more than its interval.
    """
    usual_mm2 = np.median(areas[:: -(-len(areas) // SAMPLE)])
    # Of an equilateral triangle: area = sqrt(3) / 4 times the square of its side.
    long_mm = max(NEEDLE_LONG * np.sqrt(usual_mm2 * 4.0 / np.sqrt(3.0)), NEEDLE_LONG_MM)
    if not _thin(triangles[areas > NEEDLE_AREA * usual_mm2], long_mm).any():
        return ()
    long = triangles[_longest_mm(triangles) > long_mm]
    _, side, count = _numbered(long)
    alone = (count[side] == 1) & (_sides_mm(long) > long_mm)  # (m, 3)
    needles = int(np.count_nonzero(_thin(long, long_mm) & (alone.sum(axis=1) == NEEDLE_ALONE)))
    return (Note("needles", count=needles),) if needles else ()


def _sides_mm(triangles: Floats) -> Floats:
    """Lengths of the sides that end at each corner, (n, 3)."""
    return np.asarray(np.linalg.norm(triangles - np.roll(triangles, 1, axis=1), axis=2))


def _thin(triangles: Floats, long_mm: float) -> Bools:
    sides = np.sort(_sides_mm(triangles), axis=1)
    return np.asarray((sides[:, 1] > long_mm) & (sides[:, 0] < NEEDLE_WIDE * sides[:, 1]))


def same_corners(triangles: Floats) -> Ints:
    """Give corners of triangles, (n, 3, 3), numbers from 0, (n, 3): one for the same place."""
    points = triangles.reshape(-1, 3) + 0.0  # copied, -0.0 made 0.0
    labels = same_rows(points)
    numbers: Ints = np.cumsum(labels == np.arange(len(labels))) - 1
    return numbers[labels].reshape(-1, 3)


def same_rows(rows: Floats) -> Ints:
    """Give each row (m, k) a number: that of the place where its like, to the bit, first stands."""
    columns = np.ascontiguousarray(rows.T).view(np.uint64)  # (k, m)
    mixed = np.zeros(len(rows), np.uint64)
    for column in columns:
        # Numbers that were float32 end in 29 zero bits: fold them before they are multiplied.
        mixed = (mixed ^ column ^ (column >> HALF)) * DIGEST
        mixed ^= mixed >> HALF
    order, heads, count = alike(mixed)
    labels = np.empty(len(rows), np.intp)
    labels[order] = np.repeat(np.minimum.reduceat(order, heads), count)
    if (columns != columns[:, labels]).any():  # two different rows with one mixed number
        first, same = np.unique(columns, axis=1, return_index=True, return_inverse=True)[1:]
        labels = first[same.reshape(-1)]
    return labels


def alike(keys: NDArray[np.uint64]) -> tuple[Ints, Ints, Ints]:
    """Sort keys: their order, where in it each begins, and how often it is there."""
    order = np.argsort(keys)
    ordered = keys[order]
    heads = np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1])[: len(keys)])
    return order, heads, np.diff(np.append(heads, len(keys)))


def _numbered(triangles: Floats) -> tuple[Ints, Ints, Ints]:
    """Give numbers to corners, and to the sides that end at each, (n, 3); count uses of sides."""
    faces = same_corners(triangles)
    before = np.roll(faces, 1, axis=1)
    ends = np.minimum(faces, before) * faces.size + np.maximum(faces, before)
    _, side, count = np.unique(ends, return_inverse=True, return_counts=True)
    return faces, side.reshape(-1, 3), count


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


def sides_mm(triangles: Floats, areas: Floats) -> tuple[float, float]:
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


def _ends(points: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Find between which coordinates, row by row, all but the outermost surface lies."""
    low, high = np.empty(len(points)), np.empty(len(points))
    for axis, row in enumerate(points):
        order = np.argsort(row)
        share = np.cumsum(weights[order])
        ends = np.searchsorted(share, share[-1] * np.array([OUTER_SHARE, 1 - OUTER_SHARE]))
        low[axis], high[axis] = row[order[ends]]
    return low, high


def check_scale(triangles: Floats, areas: Floats, unit: str | None) -> tuple[Note, ...]:
    """Refuse triangles in mm that cannot be an impression by their size; note an unusual one."""
    side_mm, height_mm = sides_mm(triangles, areas)
    in_file = (side_mm / mm_per_unit(unit), height_mm / mm_per_unit(unit))
    if not POSSIBLE_MM[0] <= side_mm <= POSSIBLE_MM[1]:
        three_digits = f"{side_mm:.3g}" if side_mm < POSSIBLE_MM[0] else f"{side_mm:.0f}"
        raise ScanError(
            f"a longest side of {three_digits} mm, read as {unit or 'mm'}",
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
        odd=odd[0],
        unit=unit or "mm",
        side_mm=side_mm,
        height_mm=height_mm,
        limits_mm=odd[1],
        better_unit=likely,
        better_mm=tuple(side * MM_PER_UNIT[likely] for side in in_file) if likely else (),
    )
    return (note,)


def _odd(side_mm: float, height_mm: float) -> tuple[str, tuple[float, float]] | None:
    """Say in which way, and by what limits, no usual impression is of this length and height."""
    if not USUAL_MM[0] <= side_mm <= USUAL_MM[1]:
        return "side", USUAL_MM
    if side_mm < FULL_ARCH_MM and height_mm < PART_HEIGHT_MM:
        return "part", (PART_HEIGHT_MM, FULL_ARCH_MM)
    return None if HEIGHT_MM[0] <= height_mm <= HEIGHT_MM[1] else ("height", HEIGHT_MM)


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


LONG = 5.0  # times the usual longest side; whole scans of one mesh size stayed below two
LEAST_MM2 = 5.0  # a smaller patch holds next to nothing
MOST_SHARE = 0.3  # of the surface: where so much of it is long, its flat parts simply are
LEAST_TRIANGLES = 10_000  # a coarser mesh is a drawn solid, with flats of its own
USUAL = 2000  # triangles that tell what is usual


def long_ones(triangles: Floats, among: Floats) -> Bools:
    """Say which triangles, (m, 3, 3), are far longer than is usual among others, (n, 3, 3)."""
    usual_mm = np.median(_longest_mm(among[:: len(among) // USUAL + 1]))
    return np.asarray(_longest_mm(triangles) > LONG * usual_mm)


def find_patches(triangles: Floats) -> Bools:
    """Say which triangles, (n, 3, 3), belong to patches: long ones without a corner amid them."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    found = np.zeros(len(triangles), dtype=bool)
    numbers = np.flatnonzero(long_ones(triangles, triangles))
    if len(numbers) == 0:
        return found
    area = areas_mm2(triangles[numbers])
    faces, side, count = _numbered(triangles[numbers])
    corners = faces.max() + 1
    owner = np.repeat(np.arange(len(faces)), 3)
    shared = coo_array((np.ones(side.size), (owner, side.ravel()))).tocsr()
    _, patch = connected_components(shared @ shared.T, directed=False)
    at_border = np.zeros(corners, dtype=bool)
    for end in (faces, np.roll(faces, 1, axis=1)):
        at_border[end[count[side] == 1]] = True
    amid = np.bincount(patch, (~at_border[faces]).sum(axis=1)) > 0
    large = np.bincount(patch, area) > LEAST_MM2
    # One sheet over one gap: corners - sides + faces is 1 (Euler); of a tube it is 0.
    ends = np.unique(patch[owner].astype(np.int64) * corners + faces.ravel()) // corners
    edges = np.unique(patch[owner].astype(np.int64) * len(count) + side.ravel()) // len(count)
    sheet = np.bincount(ends) - np.bincount(edges) + np.bincount(patch) == 1
    found[numbers] = (large & ~amid & sheet)[patch]
    return found


def _longest_mm(triangles: Floats) -> Floats:
    longest = np.empty(len(triangles))
    for start in range(0, len(triangles), BLOCK):
        block = slice(start, start + BLOCK)
        corners = np.ascontiguousarray(triangles[block].transpose(2, 1, 0))  # long rows are fast
        sides = corners - corners[:, [1, 2, 0]]
        longest[block] = np.sqrt((sides * sides).sum(axis=0).max(axis=0))
    return longest
