"""The rim: the plane of its crest, how far it strays from it, and where it is missing."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from volest.cavity.cells import grown, joined, within
from volest.cavity.columns import Surface, peaks_of_surface
from volest.cavity.footprint import Footprint
from volest.cavity.frame import Bools, Floats
from volest.cavity.height_map import HeightMap, no_cavity

TRIALS = 400  # planes through three crest points; half the crest may be missing
SEED = 6873  # any number does; a fixed one gives the same answer every time
LEAST_SCALE_MM = 0.1  # unevenness of a good rim: below it nothing counts as straying
TUKEY = 4.685  # 95 % efficiency on normal errors (Huber, Robust Statistics; from memory)
REFITS = 10
JUDGES = 250  # points that judge the trials; which of some good ones wins changes nothing
MEDIANS = 20  # trials looked at together
SPLITS = 30  # turns of parting two heights of the crest; a dozen were enough
TWO_HEIGHTS_MM = 1.6  # a wave of 1 mm, halved, gives 1.3; flanges told differ by 2 and more
TWO_HEIGHTS_APART = 5.0  # times the spread about them; one ragged crest halved gave 4.3 at most
LEAST_REST = 0.25  # of the crest: less is a notch or a lobe; an inner flange has a third
ONE_HEIGHT = 3.0  # times that spread: a leaning plane so near to most of the crest does as well
CLEARLY_LESS = 0.4  # of the crest: inner flanges of whole arches have 0.35
LIKE_STEP_MM = 2.0  # distances between crest points are told apart by so much
COMPARED = 160  # crest points, on a whole arch closer than that
LIKE_OVER_MM = 30.0  # of two places on a rim; waves are shorter
LIKE_LONGER = 1.5  # than strays from a fitted plane show: right for made crests of 2 to 9 mm
LEAST_LEFT = 0.1  # of a crest's variance about the plane that is fitted to it
LEAST_BORDER = 12  # cells; fewer cannot carry a plane
SHARP_MM = 0.15  # more than noise lifts the highest point of a cell over its middle
LAND_MM = 0.25  # this close to the rim's plane a flat rim counts as flat
FLAT_SLOPE = 0.25  # 14 degrees
FLAT_ROUND_MM = 0.8  # a crest rounded by less than 3 mm is steeper than that this far from its top
FLAT_ALL_ROUND = 0.5  # of the border: a rim that is flat only here and there is a wavy crest
LAND_WIDTH_MM = 1.6  # wider than the inner half of a flange's rounded crest is flat
NOTCH_MM = 0.5  # this far below the rim's plane the crest is notched
NOTCH_SHARE = 0.5  # of the greatest depth: a deeper gap is an open heel, and ends with the scan
NO_RIM = "no rim that could hold stone"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rim:
    """The rim in the frame; heights are along z."""

    plane: Floats  # (3,) a, b, c of the robust plane z = a x + b y + c
    crest_mm: Floats  # (m, 3) points along the crest
    stray_mm: Floats  # (m,) height of each over the plane
    # cells of the footprint on a flat rim, over its inner edge: no stone is meant to stand there
    land: Bools
    land_width_mm: float  # width of the flat rim, 0 if there is none
    # where a crest has two heights, as one flange higher than the other: height over the plane of
    # the part that it does not follow, and that part's share of the crest; else 0
    rest_mm: float = 0.0
    rest_share: float = 0.0
    # whether the scan passes it nearly all round, and does not end while its walls still rise
    is_seen: bool = True

    @property
    def _near_mm(self) -> Floats:
        """Heights over the plane, or over the crest's other height where that is nearer, (m,)."""
        rest = self.stray_mm - self.rest_mm
        return np.where(np.abs(rest) < np.abs(self.stray_mm), rest, self.stray_mm)

    @property
    def spread_mm(self) -> float:
        """Robust standard deviation of the crest about its plane, or about the nearer height."""
        return float(1.4826 * np.median(np.abs(self._near_mm)))

    def sureness(self, place_mm: Floats) -> tuple[float, float]:
        """Say how sure the plane of such a crest is.

        The crest is taken as a random course, its places alike as far as its own strays are:
        u^2 = s^2 g^T R g with the weights g that its points have in the plane, their likeness R,
        and s^2 the strays' variance, given back what fitting the plane took of it (JCGM 100:2008,
        5.2.2). A wave longer than some quarter of the rim passes for a lean of it.

        `place_mm` (2,).
        """
        every = -(-len(self.crest_mm) // COMPARED)
        places, stray = self.crest_mm[::every, :2], self._near_mm[::every]
        reach = TUKEY * max(self.spread_mm, LEAST_SCALE_MM)
        design = np.column_stack([places - place_mm, np.ones(len(places))])
        weighted = design * _tukey(stray, reach)[:, None]
        pull = np.linalg.pinv(weighted.T @ design) @ weighted.T  # (3, points)
        apart = np.hypot(*(places.T[:, :, None] - places.T[:, None]))
        alike = np.exp(-((apart / _length_mm(apart, np.clip(stray, -reach, reach))) ** 2))
        pulled = pull @ alike
        spread = pulled @ pull.T  # of a, b, c, for a crest that strays by 1 mm
        fitted = 2.0 * np.trace(pulled @ design) - np.trace(spread @ design.T @ design)
        left = max(1.0 - float(fitted) / len(places), LEAST_LEFT)
        tilt, height = self.spread_mm * np.sqrt(
            np.array([spread[0, 0] + spread[1, 1], spread[2, 2]]) / left
        )
        return float(height), float(np.degrees(np.arctan(tilt)))


def find_rim(relief: HeightMap, footprint: Footprint, surface: Surface | None) -> Rim:
    """Fit the rim's plane to the crest, which `find_crest` finds."""
    crest = find_crest(relief, footprint, surface)
    plane, rest_mm, rest_share = parted(crest)
    land, width_mm = _land(relief, footprint.inside, plane)
    return Rim(
        plane=plane,
        crest_mm=crest,
        stray_mm=crest[:, 2] - crest[:, :2] @ plane[:2] - plane[2],
        land=land,
        land_width_mm=width_mm,
        rest_mm=rest_mm,
        rest_share=rest_share,
        is_seen=footprint.has_passed_rim,
    )


def find_crest(relief: HeightMap, footprint: Footprint, surface: Surface | None = None) -> Floats:
    """Find the crest of the rim beside each cell of the footprint's border, (m, 3).

    It is the second highest of nine cells, so that noise lifts it less than the highest would, and
    of these the lowest along the border, so that a sloping crest is not lifted to what lies uphill.
    Cells count with their middle, but with their highest point where that is a sharp rim beside
    it; without a surface, the relief is of the highest points already.
    """
    border = footprint.border
    if np.count_nonzero(border) < LEAST_BORDER:
        raise no_cavity(NO_RIM)
    height = np.where(relief.outside, -np.inf, relief.top_mm)
    if surface is not None:
        near = grown(border, corners=True)
        peak = peaks_of_surface(surface, relief.grid, near, height)
        height = np.where(peak > height + SHARP_MM, peak, height)
    crest = np.full(border.shape, np.inf)
    crest[border] = _ranked(height, border, -2)
    crest[border] = np.where(np.isfinite(crest), crest, height)[border]  # a lone cell has no second
    places_mm = relief.grid.places_mm(np.flatnonzero(border))
    return np.stack([*places_mm, _ranked(crest, border, 0)], axis=1)


def _ranked(height: Floats, cells: Bools, rank: int) -> Floats:
    """Return the nine heights round each of some cells at a rank: 0 the lowest, -1 the highest."""
    j, i = np.nonzero(cells)
    rows, columns = (
        np.clip(at + np.arange(-1, 2)[:, None], 0, end - 1)
        for at, end in zip((j, i), cells.shape, strict=True)
    )
    nine = height[rows[:, None], columns[None]].reshape(9, -1)
    return np.asarray(np.partition(nine, rank, axis=0)[rank])


def robust_plane(points_mm: Floats) -> Floats:
    """Fit z = a x + b y + c to points of which up to half may stray far.

    Least median of squares over planes through three points (Rousseeuw 1984; from memory) finds
    the start, Tukey's weights refine it.

    `points_mm` (m, 3); gives (3,).

    >>> x, y = np.meshgrid(np.arange(5.0), np.arange(5.0))
    >>> z = 0.5 * x + 2.0
    >>> z[:2] -= 30.0
    >>> points = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    >>> np.abs(np.round(robust_plane(points), 9))
    array([0.5, 0. , 2. ])
    """
    middle = points_mm.mean(axis=0)
    places, z = points_mm[:, :2] - middle[:2], points_mm[:, 2]
    if not np.isfinite(z).all():
        raise no_cavity(NO_RIM)
    design = np.column_stack([places, np.ones(len(z))])
    rng = np.random.default_rng(SEED)
    picks = rng.integers(0, len(z), (TRIALS, 3))
    corners = design[picks]
    sound = np.abs(np.linalg.det(corners)) > 1e-6 * np.ptp(places) ** 2
    if not sound.any():
        raise no_cavity(NO_RIM)
    trials = np.linalg.solve(corners[sound], z[picks[sound]][..., None])[..., 0]
    some = rng.permutation(len(z))[:JUDGES]
    a, b, c = trials[_least_median(np.abs(z[some] - trials @ design[some].T))]
    for _ in range(REFITS):
        miss = z - design @ (a, b, c)
        reach = TUKEY * max(1.4826 * float(np.median(np.abs(miss))), LEAST_SCALE_MM)
        weighted = design * _tukey(miss, reach)[:, None]
        a, b, c = np.linalg.lstsq(weighted.T @ design, weighted.T @ z, rcond=None)[0]
    return np.array([a, b, c - a * middle[0] - b * middle[1]])


def _tukey(miss: Floats, reach: float) -> Floats:
    """Return the weight of each point in the plane."""
    return np.asarray(np.clip(1.0 - (miss / reach) ** 2, 0.0, None) ** 2)


def _least_median(misses: Floats) -> int:
    """Return the row, (k, m), with the least median: the first where several have it.

    A row with no more than half its values under the least median so far cannot have a lesser one,
    so that most are counted and not sorted.
    """
    half = (misses.shape[1] - 1) // 2
    best, least = 0, np.inf
    for begin in range(0, len(misses), MEDIANS):
        some = misses[begin : begin + MEDIANS]
        left = np.flatnonzero(np.count_nonzero(some < least, axis=1) > half)
        if len(left):
            medians = np.median(some[left], axis=1)
            lowest = int(np.argmin(medians))
            if medians[lowest] < least:
                best, least = begin + int(left[lowest]), float(medians[lowest])
    return best


def parted(crest_mm: Floats) -> tuple[Floats, float, float]:
    """Return the crest's plane, and height over it and share of a part at another height, else 0.

    Two parallel planes are fitted in turn with parting the crest between them. The longer part is
    the rim; of two about as long the higher, as a wall that is missing leaves its foot.
    """
    plane = robust_plane(crest_mm)
    places, z = crest_mm[:, :2] - crest_mm[:, :2].mean(axis=0), crest_mm[:, 2]
    stray = z - crest_mm[:, :2] @ plane[:2]
    low_mm, high_mm = np.quantile(stray, (0.1, 0.9))
    if high_mm - low_mm < TWO_HEIGHTS_MM:
        return plane, 0.0, 0.0
    high = stray > (low_mm + high_mm) / 2.0
    for _ in range(SPLITS):
        if not LEAST_REST < high.mean() < 1.0 - LEAST_REST:
            return plane, 0.0, 0.0
        design = np.column_stack([places, np.ones(len(z)), high])
        a, b, c, step = np.linalg.lstsq(design, z, rcond=None)[0]
        over = z - places @ (a, b) - c
        before, high = high, over > step / 2.0
        if np.array_equal(before, high):
            break
    within = 1.4826 * float(np.median(np.abs(over - step * high)))
    one = np.mean(np.abs(stray - plane[2]) < ONE_HEIGHT * within) > 1.0 - LEAST_REST
    if one or step < max(TWO_HEIGHTS_MM, TWO_HEIGHTS_APART * within):
        return plane, 0.0, 0.0
    share = float(high.mean())
    if share < CLEARLY_LESS:
        return robust_plane(crest_mm[~high]), float(step), share
    if share > 1.0 - CLEARLY_LESS:
        return robust_plane(crest_mm[high]), -float(step), 1.0 - share
    level = crest_mm - np.outer(step * ~high, [0.0, 0.0, -1.0])  # both at the higher one's height
    return robust_plane(level), -float(step), 1.0 - share


def _length_mm(apart_mm: Floats, stray_mm: Floats) -> float:
    """Return the distance over which a crest's strays lose their likeness."""
    steps = (np.minimum(apart_mm, LIKE_OVER_MM) / LIKE_STEP_MM).astype(np.int64).ravel()
    product = np.multiply.outer(stray_mm, stray_mm)
    sums = np.bincount(steps, product.ravel()) / np.maximum(np.bincount(steps), 1)
    unlike = np.flatnonzero(sums < sums[0] / np.e)
    return LIKE_LONGER * LIKE_STEP_MM * max(int(unlike[0]) if len(unlike) else len(sums), 1)


def _land(relief: HeightMap, inside: Bools, plane: Floats) -> tuple[Bools, float]:
    """Find a flat rim in the footprint, and its width; a rounded crest is too narrow for one."""
    none, pitch_mm = (np.zeros_like(inside), 0.0), relief.grid.pitch_mm
    high = inside & (relief.over_mm(plane) > -LAND_MM)
    low, border = inside & ~high, inside & grown(~inside)
    at_border = high & border
    # Cells count from their middles; the cavity ends half a cell before the first high one.
    wide = joined(at_border, high) & ~within(low, LAND_WIDTH_MM / pitch_mm + 0.5)
    if not wide.any():
        return none
    steep = np.hypot(*np.gradient(relief.top_mm, pitch_mm)) > FLAT_SLOPE
    steep &= ~grown(relief.outside)  # beyond the scan there is no slope
    land = joined(wide & ~within(steep, FLAT_ROUND_MM / pitch_mm), high)
    at_border &= land
    if np.count_nonzero(at_border) < max(FLAT_ALL_ROUND * np.count_nonzero(border), 1.0):
        return none
    across = (ndimage.distance_transform_edt(~low) - 0.5) * pitch_mm
    width_mm = float(np.median(across[at_border]))
    return (land, width_mm) if width_mm >= LAND_WIDTH_MM else none


def beyond_edge(relief: HeightMap, footprint: Footprint, rim: Rim, over_crest_mm: Floats) -> Bools:
    """Find the cells of the footprint outside of a flat rim's inner edge, for a higher base line.

    `over_crest_mm` is the crest's height over the base line, (m,). Where the crest lies over it,
    stone stays inside by itself and nothing is taken out.
    """
    border, cavity = footprint.border, footprint.inside & ~rim.land
    passed = border.copy()
    passed[border] = over_crest_mm < 0.0
    if not rim.land.any() or not passed.any():
        return np.zeros_like(border)
    nearest = ndimage.distance_transform_edt(~border, return_distances=False, return_indices=True)
    beyond: Bools = rim.land & passed[tuple(nearest)]
    # And the floor of notches through it, outside of the inner edge carried on; what lies lower
    # than the lowest way out of a notch is cavity, whatever it is near to.
    notched = passed & ~rim.land
    notched[border] &= rim.stray_mm < -NOTCH_MM
    over = np.where(cavity, relief.over_mm(rim.plane), 0.0)
    gaps, count = ndimage.label(notched, np.ones((3, 3)))
    for gap, way_out_mm in enumerate(ndimage.minimum(over, gaps, np.arange(1, count + 1)), 1):
        if way_out_mm > NOTCH_SHARE * float(over.min()):
            near = within(gaps == gap, rim.land_width_mm / relief.grid.pitch_mm)
            beyond |= near & cavity & (over > way_out_mm - LAND_MM)
    return beyond
