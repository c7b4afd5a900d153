"""Surface that the scanner did not see: where it lacks, and where it most likely runs.

A scanner sees what lies in its sight. Under an overhanging flange neither roof nor floor is in the
scan, and liquid poured into the cavity would meet nothing there. Round such places the surface is
found as the zero of a field that is the distance from the surface where it was seen, air where the
columns show air, and as straight as can be between: the second derivatives are least in the sum
of squares, with a weak pull to solid material where nothing else tells. Columns are cut through it
where they lack a crossing. A stronger and a weaker pull say how far that may be wrong.
"""

import logging
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Columns, Surface, sorted_columns
from volest.cavity.footprint import MM3_PER_ML, Footprint
from volest.cavity.frame import Bools, Floats, Ints, plane_mm
from volest.cavity.height_map import HeightMap
from volest.cavity.pose import even_places
from volest.cavity.rim import Rim
from volest.cavity.void import ReachableVoid, find_void
from volest.cavity.volume import column_volumes_ml

LOOK_MM = 1.2  # voxels to look with: samples lie closer than that
MOST_LOOKS = 100_000  # columns of voxels; an impression has some three thousand
LID_MM = 0.5  # over the highest of the crest: what lies there is a plate and no flange's back
DEEPEST_MM = 80.0  # no impression is deeper; a base line far off is refused later
LEAST_MM2 = 4.0  # of wall or roof; less is a tear's, or the grid's
STEP_MM = 0.7  # nodes of the field; a narrow imprint's bottom has three across
REACH_MM = 7.0  # from where surface lacks: what is unseen lies nearer than this to it
DEEP_MM = 2.5  # farther from all surface, air is air and material is material
BAND = 1.3  # steps from a sample within which its plane counts
AGREEING = 0.8  # of the summed normals: less, and two sides of a thin wall meet there
SPOT_MM2 = 0.15  # a point of the surface for each
POINT_MM = 0.35  # points closer than this are one
LEAST_WEIGHT_MM2 = 0.02  # of surface near a node
# How far the surface is carried on into the dark: chosen on impressions of real and of made jaws.
STIFF_MM = 3.0  # a membrane's part, against swinging out
PULL_MM = 2.3  # best guess
STRONG_PULL_MM = 1.1
WEAK_PULL_MM, WEAK_STIFF_MM = 5.4, 4.0
AIMED_MM = 2.0  # the pull's aim: this far into air or material
TOLERANCE, MOST_TURNS, ROUNDS = 1e-3, 400, 3
SEEN = 0.5  # of the nodes round a place: there the scan's own crossings count
# How far the best guess may be off: by what other pulls give, and by the thickness that a lip of
# material under which nothing was seen may have more or less.
LESS_OF_PULL, MORE_OF_PULL = 0.7, 1.6
LESS_MM, MORE_MM = 0.4, 1.2
Single = npt.NDArray[np.float32]
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Closing:
    """What closes the unseen surface."""

    columns: Columns  # the crossings, completed
    rooms: ReachableVoid  # what stone reaches, by the completed columns
    places_mm: Floats  # (3, k) places in the frame where surface lacks
    area_mm2: float  # about how much of it
    # how much less or more room there may be than the completed columns have
    less_ml: float
    more_ml: float


def close_unseen(
    *,
    columns: Columns,
    surface: Surface,
    relief: HeightMap,
    footprint: Footprint,
    rim: Rim,
    base: BasePlane,
    rooms: ReachableVoid,
    points_mm: Floats,
) -> Closing | None:
    """Close walls and roofs that the scan lacks under the base line; None where it lacks none.

    `points_mm`, (3, m), are samples of the surface in the frame.
    """
    walls, wall_mm2 = _open_walls(rooms, relief, base, points_mm)
    roofs, roof_mm2 = _open_roofs(rooms, columns, rim, base)
    area_mm2 = wall_mm2 + roof_mm2
    if area_mm2 < LEAST_MM2:
        return None
    _LOG.info("%.0f mm2 of the surface were not seen; they are being closed", area_mm2)
    places = np.concatenate([walls, roofs], axis=1)
    dark = _Dark.round(columns, relief, surface.corners_mm, places)
    likely = dark.solved(PULL_MM, STIFF_MM, dark.values)
    least = dark.solved(STRONG_PULL_MM, STIFF_MM, likely)
    most = dark.solved(WEAK_PULL_MM, WEAK_STIFF_MM, likely)
    completed = [_completed(columns, dark, each) for each in (likely, least, most)]
    filled = [find_void(each, relief, footprint, rim, base) for each in completed]
    likely_ml, least_ml, most_ml = (float(column_volumes_ml(r, np.zeros(1))[0]) for r in filled)
    swing_ml = max(most_ml - least_ml, 0.0)
    return Closing(
        columns=completed[0],
        rooms=filled[0],
        places_mm=places,
        area_mm2=area_mm2,
        less_ml=LESS_OF_PULL * max(likely_ml - least_ml, 0.0) + LESS_MM * area_mm2 / MM3_PER_ML,
        more_ml=MORE_OF_PULL * swing_ml + MORE_MM * area_mm2 / MM3_PER_ML,
    )


def _open_roofs(
    rooms: ReachableVoid, columns: Columns, rim: Rim, base: BasePlane
) -> tuple[Floats, float]:
    """Find filled cells where a surface that faces up follows on one that faces up."""
    grid = columns.grid
    bare = (columns.cell[1:] == columns.cell[:-1]) & columns.up[1:] & columns.up[:-1]
    k = np.flatnonzero(bare)
    k = k[grid.map_of(rooms.cell[rooms.filled]).ravel()[columns.cell[k]]]
    x, y = grid.places_mm(columns.cell[k])
    level = base.level_mm(x, y)
    over_rim = columns.z_mm[k + 1] - plane_mm(rim.plane, x, y)
    below = (columns.z_mm[k] < level) & (over_rim < rim.stray_mm.max() + LID_MM)
    middle = (columns.z_mm[k] + np.minimum(columns.z_mm[k + 1], level)) / 2.0
    return np.stack([x, y, middle])[:, below], float(below.sum()) * grid.pitch_mm**2


def _open_walls(
    rooms: ReachableVoid, relief: HeightMap, base: BasePlane, points_mm: Floats
) -> tuple[Floats, float]:
    """Find where filled voxels lie beside buried ones with no sample of the surface near."""
    grid = rooms.grid
    every = max(1, round(LOOK_MM / grid.pitch_mm))
    # A grid that stray points have spread is looked at more coarsely.
    every = max(every, int(np.sqrt(grid.shape[0] * grid.shape[1] / MOST_LOOKS)))
    first, size = every // 2, every * grid.pitch_mm
    j, i = np.divmod(rooms.cell, grid.shape[1])
    looked = np.flatnonzero(rooms.filled & (j % every == first) & (i % every == first))
    if len(looked) == 0:
        return np.empty((3, 0)), 0.0
    floor, roof = (
        np.clip(heights[looked], -DEEPEST_MM, 0.0) for heights in (rooms.floor_mm, rooms.roof_mm)
    )
    low = float(floor.min()) - size
    x, y = (v[first::every, first::every] for v in grid.centres_mm())
    shape = (int(np.ceil(-low / size)) + 2, *x.shape)  # layers first: summed up in one go each
    ends = np.zeros(shape, dtype=np.int8)
    column = j[looked] // every * shape[2] + i[looked] // every
    for heights, step in ((floor, 1), (roof, -1)):
        layer = np.rint((heights - low) / size).astype(np.int64)
        np.add.at(ends.ravel(), layer * x.size + column, np.int8(step))
    wet = np.cumsum(ends, axis=0, dtype=np.int8) > 0
    top = base.heights_mm(x, y, relief.top_mm[first::every, first::every])
    hidden = (relief.outside | relief.hole)[first::every, first::every]
    layers = low + (np.arange(shape[0]) + 0.5) * size
    buried = ~wet & (layers[:, None, None] < np.where(hidden, -np.inf, top))
    over = base.heights_mm(*points_mm)
    under = over < size
    offsets = ((over, layers[0]), (points_mm[1], y[0, 0]), (points_mm[0], x[0, 0]))
    spots = tuple(((v[under] - start) / size + 1.5).astype(np.int64) for v, start in offsets)
    near = np.zeros([end + 2 for end in shape], dtype=bool)  # what lies beyond goes to its skin
    near.ravel()[np.ravel_multi_index(spots, near.shape, mode="clip")] = True
    near = np.pad(near[1:-1, 1:-1, 1:-1], 1)
    for axis in range(3):  # what touches a voxel with a sample, by sides, edges or corners
        near |= np.roll(near, 1, axis) | np.roll(near, -1, axis)
    bare = ~near[1:-1, 1:-1, 1:-1]
    lone, back = (np.pad(each & bare, 1) for each in (wet, buried))
    beside = [lone & np.roll(back, way, axis) for axis in (1, 2) for way in (-1, 1)]
    layer, rows, cols = np.concatenate([np.nonzero(each) for each in beside], axis=1) - 1
    x, y = x[rows, cols], y[rows, cols]
    return np.stack([x, y, layers[layer] + base.level_mm(x, y)]), len(layer) * size**2


def _within(spots: Ints, shape: tuple[int, ...]) -> Bools:
    return np.asarray(((spots >= 0) & (spots < np.array(shape)[:, None])).all(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Dark:
    """Nodes round unseen surface, and what is known at them; maps have one shape, x first.

    `values` are distances from the surface where that is known, positive in air; `open_mm` is how
    far into certain air a node lies, 0 where air is not certain.
    """

    low_mm: Floats  # (3,)
    seen: Bools
    open_mm: Floats
    asked: Bools
    values: Floats

    @staticmethod
    def round(columns: Columns, relief: HeightMap, corners_mm: Floats, places: Floats) -> "_Dark":
        """Lay nodes round some places, (3, k), and see what is known at them."""
        low, high = places.min(axis=1) - REACH_MM, places.max(axis=1) + REACH_MM
        low[2] = max(low[2], columns.z_mm.min() - DEEP_MM)
        high[2] = min(high[2], columns.z_mm.max() + DEEP_MM)
        shape = tuple(np.ceil((high - low) / STEP_MM).astype(int) + 1)
        lacking = np.ones(shape, dtype=bool)
        at = np.rint((places - low[:, None]) / STEP_MM).astype(np.int64)
        lacking[tuple(at[:, _within(at, shape)])] = False
        near = ndimage.distance_transform_edt(lacking) * STEP_MM < REACH_MM
        seen, distance = _seen_distance(corners_mm, low, near)
        open_mm = _certain_air(columns, relief, low, shape)
        far = np.where(open_mm > 0.0, np.minimum(open_mm, DEEP_MM), -DEEP_MM)
        asked = near & ~seen & (open_mm <= DEEP_MM)
        for axis in range(3):
            ends = np.moveaxis(asked, axis, 0)
            ends[[0, -1]] = False
        values = np.where(seen, distance, far)
        return _Dark(low_mm=low, seen=seen, open_mm=open_mm, asked=asked, values=values)

    def solved(self, pull_mm: float, stiff_mm: float, start: Floats) -> Floats:
        """Return the field for a pull: how far surface is carried on before it gives way to it."""
        values, asked = start.copy(), self.asked.copy()
        aim = np.where(self.open_mm > 0.0, AIMED_MM, -AIMED_MM)
        for _ in range(ROUNDS):
            _straighten(values, asked, aim, (STEP_MM / pull_mm) ** 4, (STEP_MM / stiff_mm) ** 2)
            # What reaches into air that was seen through is held back there.
            into = asked & (self.open_mm >= STEP_MM) & (values < self.open_mm / 2.0)
            if not into.any():
                break
            values[into] = np.minimum(self.open_mm, DEEP_MM)[into]
            asked &= ~into
        return values


def _seen_distance(corners_mm: Floats, low_mm: Floats, near: Bools) -> tuple[Bools, Floats]:
    """Return at which nodes surface was seen, and their distance from it along its normals."""
    points, normals, area = _points_of(corners_mm, low_mm, near)
    base = np.floor((points - low_mm[:, None]) / STEP_MM).astype(np.int64)
    sums = np.zeros((5, near.size))  # weight, distance, normal
    for step in np.ndindex(4, 4, 4):
        node = base + np.array(step)[:, None] - 1
        off = low_mm[:, None] + node * STEP_MM - points
        share = 1.0 - (off**2).sum(axis=0) / (BAND * STEP_MM) ** 2
        k = np.flatnonzero((share > 0.0) & _within(node, near.shape))
        flat = np.ravel_multi_index(tuple(node[:, k]), near.shape)
        weight = area[k] * share[k] ** 2
        parts = (1.0, (off[:, k] * normals[:, k]).sum(axis=0), *normals[:, k])
        for row, part in enumerate(parts):
            sums[row] += np.bincount(flat, weight * part, near.size)
    weight = sums[0]
    seen = (weight > LEAST_WEIGHT_MM2) & (np.linalg.norm(sums[2:], axis=0) > AGREEING * weight)
    distance = sums[1] / np.maximum(weight, LEAST_WEIGHT_MM2)
    return seen.reshape(near.shape), distance.reshape(near.shape)


def _points_of(corners_mm: Floats, low_mm: Floats, near: Bools) -> tuple[Floats, Floats, Floats]:
    """Spread points over the triangles near some nodes: points and normals, (3, m), and areas."""
    middle = np.rint((corners_mm.mean(axis=1) - low_mm[:, None]) / STEP_MM).astype(np.int64)
    close = _within(middle, near.shape)
    close[close] = ndimage.maximum_filter(near, size=5)[tuple(middle[:, close])]
    corners = corners_mm[:, :, close]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], axis=0)
    area = 0.5 * np.linalg.norm(normals, axis=0)
    count = np.ceil(area / SPOT_MM2).astype(np.int64)  # none of what has no area
    which = np.repeat(np.arange(len(area)), count)
    r, s = even_places(len(which))
    one = count[which] == 1  # alone, it stands in the middle
    r, s = np.where(one, 2.0 / 3.0, r), np.where(one, 0.5, s)
    a, b, c = (corners[:, corner][:, which] for corner in range(3))
    points = a * (1.0 - r) + b * (r * (1.0 - s)) + c * (r * s)
    share = (area / np.maximum(count, 1))[which]
    normals = normals[:, which] / (2.0 * area[which])
    # Points that lie close together are one, with their mean place and normal.
    cell = np.rint((points - low_mm[:, None]) / POINT_MM).astype(np.int64)
    cell -= cell.min(axis=1, keepdims=True, initial=0)
    flat = np.ravel_multi_index(tuple(cell), tuple(cell.max(axis=1, initial=0) + 1))
    _, which = np.unique(flat, return_inverse=True)
    total = np.asarray(np.bincount(which, share), dtype=np.float64)
    points, normals = (
        np.stack([np.bincount(which, share * row) / total for row in each])
        for each in (points, normals)
    )
    return points, normals, total


def _certain_air(
    columns: Columns, relief: HeightMap, low_mm: Floats, shape: tuple[int, ...]
) -> Floats:
    """Return how far into the air over the scan each node lies, a cell kept off its heights."""
    grid = columns.grid
    top = np.where(relief.outside, -np.inf, relief.top_mm)
    if relief.hole.any():
        nearest = ndimage.distance_transform_edt(
            relief.hole | relief.outside, return_distances=False, return_indices=True
        )
        top = np.where(relief.hole, top[tuple(nearest)], top)
    top = ndimage.maximum_filter(top, size=3)
    places = [low_mm[axis] + np.arange(shape[axis]) * STEP_MM for axis in range(3)]
    i, j = (
        np.clip(np.rint((places[axis] - grid.low_mm[axis]) / grid.pitch_mm), 0, end - 1).astype(int)
        for axis, end in ((0, grid.shape[1]), (1, grid.shape[0]))
    )
    over = places[2] > top[np.ix_(j, i)].T[:, :, None]
    air = over & ~relief.outside[np.ix_(j, i)].T[:, :, None]
    return np.asarray(ndimage.distance_transform_edt(air) * STEP_MM)


def _straighten(values: Floats, asked: Bools, aim: Floats, pull: float, stiff: float) -> None:
    """Set the values asked for so that bending, stretching and the pull are least, in place.

    The sum over all nodes of (L u)^2 + stiff |grad u|^2 + pull (u - aim)^2, L being the Laplacian's
    seven points, is least where a sparse, positive system holds; conjugate gradients solve it.
    """
    from scipy import sparse
    from scipy.sparse.linalg import LinearOperator, cg

    flat, size = values.ravel(), values.size
    wanted = np.flatnonzero(asked)
    rows = np.flatnonzero(ndimage.binary_dilation(asked))
    number = np.full(size, -1, dtype=np.int32)
    number[wanted] = np.arange(len(wanted), dtype=np.int32)
    across = values.shape[1] * values.shape[2], values.shape[2], 1
    places = [rows] + [rows + way * step for step in across for way in (1, -1)]
    column = np.stack([number[np.clip(place, 0, size - 1)] for place in places], axis=1)
    weight = np.broadcast_to(np.array([-6.0] + 6 * [1.0], dtype=np.float32), column.shape)
    fixed = sum(
        w * np.where(c < 0, flat[np.clip(place, 0, size - 1)], 0.0)
        for w, c, place in zip(weight[0], column.T, places, strict=True)
    )
    free = column >= 0
    starts = np.concatenate([[0], np.cumsum(free.sum(axis=1))]).astype(np.int32)
    laplace = sparse.csr_array((weight[free], column[free], starts), shape=(len(rows), len(wanted)))
    back = laplace.T.tocsr()
    own = np.searchsorted(rows, wanted)
    pull32, stiff32 = np.float32(pull), np.float32(stiff)

    def applied(u: Single) -> Single:
        bent = laplace @ u
        return np.asarray(back @ bent - stiff32 * bent[own] + pull32 * u)

    known = np.asarray(fixed, dtype=np.float32)
    target = (
        -(back @ known) + stiff32 * known[own] + pull32 * aim.ravel()[wanted].astype(np.float32)
    )
    bending = LinearOperator((len(wanted), len(wanted)), matvec=applied, dtype=np.float32)
    begun = flat[wanted].astype(np.float32)
    flat[wanted] = cg(bending, target, begun, rtol=TOLERANCE, maxiter=MOST_TURNS)[0]


def _sorted(*crossings: Floats) -> Floats:
    """Put crossings together, by cell and height.

    (5, k): cell, height, whether the surface faces up, whether it was made, and how far it was
    seen round a made one.
    """
    both = np.concatenate(crossings, axis=1)
    return both[:, np.lexsort((both[1], both[0]))]


def _completed(columns: Columns, dark: _Dark, values: Floats) -> Columns:
    """Add the field's crossings to columns that lack some, and where no surface was seen."""
    made, count = _field_crossings(columns, dark, values), len(columns.cell)
    real = np.stack([columns.cell, columns.z_mm, columns.up, np.zeros(count), np.ones(count)])
    near = columns.grid.map_of(made[0].astype(np.int64)).ravel()[columns.cell]
    both = _sorted(real[:, near], made)
    kept = both[3] == 0.0
    kept[~kept] = _fitting(both)
    cell, z_mm, up, assumed, _ = _sorted(real[:, ~near], both[:, kept])
    nobody = np.empty(0, dtype=np.int64)
    return sorted_columns(
        columns.grid, cell.astype(np.int64), z_mm, up > 0.0, nobody, assumed=assumed > 0.0
    )


def _field_crossings(columns: Columns, dark: _Dark, values: Floats) -> Floats:
    """Cross the field along the columns that run through it."""
    grid, shape = columns.grid, values.shape
    at = [
        (grid.low_mm[axis] + np.arange(end) * grid.pitch_mm - dark.low_mm[axis]) / STEP_MM
        for axis, end in ((0, grid.shape[1]), (1, grid.shape[0]))
    ]
    i, j = (np.flatnonzero((at[axis] >= 0) & (at[axis] < shape[axis] - 1)) for axis in (0, 1))
    i, j = (each.ravel() for each in np.meshgrid(i, j, indexing="ij"))
    a, b = at[0][i].astype(np.int64), at[1][j].astype(np.int64)
    reached = ndimage.maximum_filter(dark.asked.any(axis=2), size=2, origin=-1)[a, b]
    i, j, a, b = (each[reached] for each in (i, j, a, b))
    s, t = (at[0][i] - a)[:, None], (at[1][j] - b)[:, None]

    def along(nodes: Floats) -> Floats:
        near = nodes[a, b] * (1.0 - s) + nodes[a + 1, b] * s
        far = nodes[a, b + 1] * (1.0 - s) + nodes[a + 1, b + 1] * s
        return np.asarray(near * (1.0 - t) + far * t)

    height, was_seen = along(values), along(dark.seen.astype(np.float64))
    which, k = np.nonzero((height[:, 1:] > 0.0) != (height[:, :-1] > 0.0))
    under, over = height[which, k], height[which, k + 1]
    share = under / (under - over)
    seen = was_seen[which, k] * (1.0 - share) + was_seen[which, k + 1] * share
    cell = j[which] * grid.shape[1] + i[which]
    z_mm = dark.low_mm[2] + (k + share) * STEP_MM
    return np.stack([cell, z_mm, over > 0.0, np.ones(len(cell)), seen])


def _fitting(crossings: Floats) -> Bools:
    """Choose of the made crossings those that make sense between the real ones of their column.

    Between two real crossings air and material must alternate, so that the number of made ones is
    odd or even. Where it is even and all lie on seen surface, there are none; nor are there any
    over the highest surface, if that faces up: there the sky was seen.
    """
    cell, z, _, _, seen = crossings
    up, made = crossings[2:4] > 0.0
    begins = np.append(True, cell[1:] != cell[:-1])[: len(cell)] | ~made
    gap, first = np.cumsum(begins) - 1, np.flatnonzero(begins)  # a real one is its lower end
    count, has_end = len(first), ~made[first]
    faces_up, low = has_end & up[first], np.where(has_end, z[first], -np.inf)
    has_next = np.append(cell[first[1:]] == cell[first[:-1]], False)[:count]
    air_over = ~has_next | ~np.append(faces_up[1:], False)[:count]
    # Under the lowest real crossing it is as just below it; in a cell without any, material.
    air_under = np.where(has_end, faces_up, has_next & air_over)
    odd = air_under != air_over
    number = gap[made]
    dark = np.zeros(count)
    np.maximum.at(dark, number, 1.0 - seen[made])
    sky = faces_up & ~has_next
    kept = (~sky & (odd | (dark >= SEEN)))[number]
    high = np.where(has_next, np.append(low[1:], np.inf)[:count], np.inf)
    apart = np.minimum(z[made] - low[number], high[number] - z[made])
    # One too many: the one that lies nearest to a real crossing is that crossing once more.
    uneven = (np.bincount(number[kept], minlength=count) % 2 == 1) != odd
    chosen = kept & uneven[number]
    nearest = np.full(count, np.inf)
    np.minimum.at(nearest, number[chosen], apart[chosen])
    return np.asarray(kept & ~(chosen & (apart <= nearest[number])))
