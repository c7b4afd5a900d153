"""The pose: the way out of the opening, looked for with points spread evenly over the surface."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.spatial import ConvexHull

from volest.cavity.columns import grid_over
from volest.cavity.footprint import find_footprint, pools
from volest.cavity.frame import KERNELS, Floats, Frame, frame_along
from volest.cavity.height_map import HeightMap, height_map_of_points, no_cavity
from volest.cavity.rim import find_crest, robust_plane
from volest.errors import ScanError
from volest.scan.checks import long_ones
from volest.scan.compiling import loops

SAMPLES = 30_000  # some fifteen a cell of 1.5 mm on a full arch
LOOKED_AT = 4  # one sample in so many tells of long triangles: more than one in 5 mm2
WIDEST_MM = 300.0  # no impression, handle and holder included, is wider
OUTER_SHARE = 0.01  # of the samples, at each end of each axis: may be strays
AROUND_MM = 100.0  # beyond the others: a tray's handle is 25 to 45 long
OPEN_SHARE = 0.05  # of the area: a closed scan's vector area is zero but for its gaps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Points spread evenly over the surface, and the way it faces there."""

    points_mm: Floats  # (3, m), one row a coordinate
    # (3,), sum of the faces' areas as vectors over the whole area: zero for a closed scan
    vector_area: Floats
    solid_ml: float  # volume that the faces enclose, if they enclose any
    long_share: float  # part of the surface that lies in triangles far longer than is usual

    @property
    def is_open(self) -> bool:
        """Whether the scan is a sheet and not the skin of a solid."""
        return bool(np.linalg.norm(self.vector_area) > OPEN_SHARE)

    def hull(self) -> ConvexHull:
        """Return the convex hull of some of the points."""
        return ConvexHull(self.points_mm[:, :: SAMPLES // HULL_SAMPLES].T)

    def seen_in(self, frame: Frame) -> Floats:
        """Bring the points into a frame; gives (3, m)."""
        fast = loops(KERNELS)
        if fast is None:
            return frame.to_frame(self.points_mm)
        turned = np.empty_like(self.points_mm)
        fast.turned(self.points_mm[:, None], 0, 0, frame.view, *turned)
        return turned


def spread_samples(corners_mm: Floats) -> Samples:
    """Spread points evenly over the surface, whatever the size of its triangles.

    `corners_mm` (3, 3, n).
    """
    fast = loops(KERNELS)
    if fast is not None:
        upto = np.empty(corners_mm.shape[2])  # running sum of twice the areas
        total = np.array(fast.twice_areas_summed(corners_mm, upto))
    else:
        normal, area = _normals(corners_mm)
        # Sums run one by one, as the compiled loop's do, so that both give the same bits.
        upto, total = np.cumsum(area), np.cumsum(normal, axis=1)[:, -1]
    which = np.searchsorted(upto, (np.arange(SAMPLES) + 0.5) / SAMPLES * upto[-1])
    r, s = even_places(SAMPLES)
    corners = corners_mm.reshape(9, -1).take(which, axis=1).reshape(3, 3, -1)
    a, b, c = (corners[:, corner] for corner in range(3))
    points = np.ascontiguousarray(a * (1.0 - r) + b * (r * (1.0 - s)) + c * (r * s))
    normal, area = _normals(corners)
    out = normal / area
    if float(np.ptp(points, axis=1).max()) > WIDEST_MM:
        # Far from nearly all the others lie strays, which no grid has to reach.
        low, high = np.quantile(points, [OUTER_SHARE, 1.0 - OUTER_SHARE], axis=1)[..., None]
        near = ((points > low - AROUND_MM) & (points < high + AROUND_MM)).all(axis=0)
        points, out = np.ascontiguousarray(points[:, near]), out[:, near]
    reach = float(((points - points.mean(axis=1, keepdims=True)) * out).sum(axis=0).mean())
    long = long_ones(corners[..., ::LOOKED_AT].T, corners_mm.T)
    return Samples(
        points_mm=points,
        vector_area=total / upto[-1],
        solid_ml=abs(reach) * upto[-1] / 6.0 / 1000.0,  # divergence theorem; twice the area
        long_share=float(np.mean(long)),
    )


def _normals(corners_mm: Floats) -> tuple[Floats, Floats]:
    """Return normals, (3, n), as long as twice the areas, and twice the areas, (n,)."""
    first, second = (corners_mm[:, k] - corners_mm[:, 0] for k in (1, 2))
    normal: Floats = np.stack(
        [
            first[1] * second[2] - first[2] * second[1],
            first[2] * second[0] - first[0] * second[2],
            first[0] * second[1] - first[1] * second[0],
        ]
    )
    area: Floats = np.sqrt((normal * normal).sum(axis=0))  # (n,)
    return normal, area


@lru_cache(maxsize=2)  # all scans ask for as many
def even_places(count: int) -> tuple[Floats, Floats]:
    """Return r and s, (count,) each, of points a (1 - r) + b r (1 - s) + c r s of triangles a b c.

    A plastic-number sequence fills a triangle evenly (Roberts; from memory); the square root makes
    it even by area (Turk, Graphics Gems, 'Generating random points in triangles').
    """
    k = np.arange(count, dtype=np.float64)
    return np.asarray(np.sqrt(k * 0.7548776662466927 % 1.0)), k * 0.5698402909980532 % 1.0


CELL_MM = 1.5  # half the thinnest flange, so that the rim stays whole
CELLS_ACROSS = 250  # a bound for the grid, whatever the scan's size
HULL_SAMPLES = 4_000
HULL_AXES = 12
ROUGHER = 2  # times as wide cells for a first look, which gave 0.6 to 0.9 of what the best holds
RIVAL = 0.3  # of the most held at that look: what holds less is neither the best nor a doubt
SAME_AXIS = float(np.cos(np.radians(8.0)))
OTHER_AXIS = float(np.cos(np.radians(30.0)))
FLAT = 1e-3  # thickness over width: less is a sheet without relief
LEVEL_TURNS = 4  # three were enough in trials
LEVEL_ENOUGH = 0.002  # radians: the base line stage takes up what is left
LEAST_HELD = 0.03  # of the hull: casts gave up to 0.011, impressions and closed-form trays 0.1 up
BOXED_DEEP = 0.15  # thickness over width, as spreads; arches open at both heels gave 0.25 and more
LEAST_BOXED = 0.15  # of the hull, boxed in: a horseshoe open at both heels gave 0.3 and more
FACED_SHARE = 0.2  # of what the way it faces away from holds; 104 open scans held 0.15 at most
SOLID_SHARE = 0.9  # of the hull: what fills more of it is convex or flat, not a cast


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """The axis that was chosen and how sure that is."""

    axis: Floats  # (3,), unit, out of the opening
    held_ml: float  # what the scan holds along it, coarsely
    hull_ml: float  # volume of the scan's convex hull
    runner_up: float  # what the next best axis, more than 30 degrees away, holds as a share of that


def find_pose(samples: Samples) -> Pose:
    """Find the way out of the opening."""
    spread, principal = np.linalg.eigh(np.cov(samples.points_mm))
    if spread[0] < FLAT**2 * spread[2]:
        raise no_cavity("a flat scan")
    hull = samples.hull()
    hull_ml = float(hull.volume) / 1000.0
    axes = _candidates(samples, principal.T, hull)
    held = _held_along_each(axes, samples, hull_ml)
    best = int(np.argmax(held))
    if samples.is_open:
        # A tray whose outer side was seen from above is a basin from below as well.
        faced = np.where(axes @ samples.vector_area > 0.0, held, 0.0)
        best = int(np.argmax(faced)) if faced.max() >= FACED_SHARE * held[best] else best
    if held[best] < LEAST_HELD * hull_ml:
        deep = spread[0] > BOXED_DEEP**2 * spread[2]
        if samples.is_open and deep:
            axis = samples.vector_area / np.linalg.norm(samples.vector_area)
            boxed_ml = held_along(samples, axis, dammed=True)
            if boxed_ml >= LEAST_BOXED * hull_ml:
                axis = _levelled(samples, axis)
                return Pose(axis=axis, held_ml=boxed_ml, hull_ml=hull_ml, runner_up=0.0)
        if samples.is_open or samples.solid_ml >= SOLID_SHARE * hull_ml:
            raise no_cavity(f"a flat or bulging scan that holds {held[best]:.1f} mL at most")
        raise ScanError(
            f"a solid that stands up and holds {held[best]:.1f} mL at most: it looks like a cast",
            needed="an impression, teeth as pits",
            remedy="scan the impression itself; a cast needs no first pour",
            code="cast",
        )
    axis = _levelled(samples, axes[best])
    others = held[axes @ axes[best] < OTHER_AXIS]
    held_ml = max(held_along(samples, axis), float(held[best]))
    return Pose(
        axis=axis,
        held_ml=held_ml,
        hull_ml=hull_ml,
        runner_up=float(others.max(initial=0.0)) / held_ml,
    )


def _held_along_each(axes: Floats, samples: Samples, hull_ml: float) -> Floats:
    """Say what is held along each axis, (k, 3): finely where a rough look does not rule it out."""
    points_mm = np.ascontiguousarray(samples.points_mm[:, :: ROUGHER**2])
    few = replace(samples, points_mm=points_mm)
    held = np.array([held_along(few, axis, cell_mm=ROUGHER * CELL_MM) for axis in axes])
    # Of a sheet those that it faces are rivals among themselves: `find_pose` prefers them.
    faced = samples.is_open & (axes @ samples.vector_area > 0.0)
    most = np.where(faced, held[faced].max(initial=0.0), held.max())
    is_rival = (held >= RIVAL * most) | (held.max() < hull_ml * LEAST_HELD / RIVAL)
    held[is_rival] = [held_along(samples, axis) for axis in axes[is_rival]]
    return held


def pose_along(samples: Samples, axis: Floats) -> Pose:
    """Take an axis, (3,), that is known to be about the way out, and level it."""
    level = _levelled(samples, axis)
    return Pose(
        axis=level,
        held_ml=held_along(samples, level),
        hull_ml=float(samples.hull().volume) / 1000.0,
        runner_up=0.0,
    )


def held_along(
    samples: Samples, axis: Floats, *, dammed: bool = False, cell_mm: float = CELL_MM
) -> float:
    """Say what the scan holds along an axis, (3,), coarsely; dammed as `pools` has it."""
    _, relief = _seen_along(samples, axis, cell_mm)
    return float(pools(relief, dammed=dammed).sum()) * relief.grid.pitch_mm**2 / 1000.0


def _candidates(samples: Samples, principal: Floats, hull: ConvexHull) -> Floats:
    """Return (k, 3) axes worth trying: vector area, principal axes, large hull facets."""
    facets = hull.equations[:, :3]
    corners = hull.points[hull.simplices]
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    ways = [*principal, *-principal]
    if samples.is_open:
        ways = [samples.vector_area, -samples.vector_area, *ways]
    for _ in range(HULL_AXES):
        alike = facets @ facets[int(np.argmax(area))] > SAME_AXIS
        ways.append((facets[alike] * area[alike, None]).sum(axis=0))
        area = np.where(alike, 0.0, area)
    axes: list[Floats] = []
    for way in ways:
        axis = way / max(float(np.linalg.norm(way)), 1e-12)
        if axis.any() and not any(axis @ known > SAME_AXIS for known in axes):
            axes.append(axis)
    return np.stack(axes)


def _seen_along(
    samples: Samples, axis: Floats, cell_mm: float = CELL_MM
) -> tuple[Frame, HeightMap]:
    frame = frame_along(axis, samples.points_mm.mean(axis=1))
    points = samples.seen_in(frame)
    widest = float(max(np.ptp(points[0]), np.ptp(points[1])))
    grid = grid_over(points[0], points[1], max(cell_mm, widest / CELLS_ACROSS))
    return frame, height_map_of_points(points, grid)


def _levelled(samples: Samples, axis: Floats) -> Floats:
    """Turn the axis until the rim lies level in the frame."""
    for _ in range(LEVEL_TURNS):
        frame, relief = _seen_along(samples, axis)
        a, b, _ = robust_plane(find_crest(relief, find_footprint(relief)))
        axis = frame.rotation.T @ np.array([-a, -b, 1.0])
        axis /= np.linalg.norm(axis)
        if np.hypot(a, b) < LEVEL_ENOUGH:
            break
    return axis
