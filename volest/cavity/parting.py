"""Several impressions in one scan: which part of the surface is measured for which of them.

Impressions that lie apart are told by the gap between them, before any pour axis is looked for, so
that each gets its own. Impressions that a bench joins show as pieces of one footprint, or as a
hollow beside it, and are parted in plan. A tray with an arch bitten into either side is one
surface, measured along two axes. What holds too little to be one, as islands, bench and holder,
stays with the impression it lies nearest to. A surface that lies there twice is one impression.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from scipy import ndimage

from volest.cavity.columns import Columns, sorted_columns
from volest.cavity.footprint import LEAST_POOL_MM, Footprint, pools
from volest.cavity.frame import Bools, Floats, Frame, Ints
from volest.cavity.height_map import HeightMap
from volest.cavity.polarity import by_coordinate, is_copy, tree_of
from volest.cavity.pose import Pose, Samples, find_pose, held_along, pose_along, spread_samples
from volest.cavity.void import ReachableVoid
from volest.errors import ScanError
from volest.notes import Note
from volest.scan.checks import POSSIBLE_MM

GAP_MM = 2.5  # two views of one impression that do not quite meet leave less
MOST_CELLS = 4_000_000  # an impression's box has some twenty thousand
LEAST_SHARE = 0.01  # of the surface: less is an island, whatever else is in the scan
# Of what the largest holds. Hollows of made trays' outsides held 3 % at most, real ones were not
# measured; of the arches of one mouth a quadrant holds a quarter of a full arch.
FAIR_SHARE = 0.2
ROUND_MM = 20.0  # of a joined impression lie rim and flank, tilted as it may be; the rest is bench
TORN_MM = 20.0  # between two parts of one impression, where a strip was not seen
TORN_GAIN = 1.3  # halves that run out at a tear held a seventh of the whole; two trays gain nothing
BRIDGE_MM = 0.5  # between the points of a bridge: closer than the cells they are seen in


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """What is measured as one impression."""

    corners: Floats  # (3, 3, n): coordinate, corner, triangle, in the scan's own frame
    samples: Samples  # points spread over them
    pose: Pose | None = None  # the way out of its opening, where that is known
    within: "Plan | None" = None  # where its impression lies on triangles that others lie on too
    notes: tuple[Note, ...] = ()  # what was seen in parting

    @property
    def triangles(self) -> Floats:
        """The triangles, (n, 3, 3): triangle, corner, coordinate."""
        return self.corners.transpose(2, 1, 0)

    @property
    def middle_mm(self) -> Floats:
        """Its middle, (3,), in the scan's own frame."""
        return np.asarray(self.samples.points_mm.mean(axis=1))

    @property
    def own_triangles(self) -> Floats:
        """Those of its triangles that are not of another impression."""
        if self.within is None:
            return self.triangles
        return self.triangles[self.within.holds(self.corners.mean(axis=1))]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """The place of one impression among those that a surface joins, seen along its frame's z.

    Of points of all of them in plan, `cores` (k, 2), `mine` (k,) says which are of this one.
    """

    frame: Frame
    cores: Any  # a cKDTree
    mine: Bools

    def holds(self, points_mm: Floats) -> Bools:
        """Say which points, (3, m) in the scan's own frame, lie round it, nearer than to others."""
        away_mm, nearest = self.cores.query(self.frame.to_frame(points_mm)[:2].T)
        return np.asarray(self.mine[nearest] & (away_mm < ROUND_MM))


def whole_scan(triangles: Floats) -> Part:
    """Take all of some triangles, (n, 3, 3), for one part."""
    corners = by_coordinate(triangles)
    return Part(corners=corners, samples=spread_samples(corners))


def apart(whole: Part) -> tuple[Part, ...]:
    """Part a scan where gaps run between its impressions; itself where there is only one."""
    points = whole.samples.points_mm
    names = _clusters(points)
    large = np.flatnonzero(np.bincount(names) >= LEAST_SHARE * len(names)).tolist()
    if len(large) > 1:
        least_mm = POSSIBLE_MM[0]  # of the longest side
        large = [k for k in large if np.ptp(points[:, names == k], axis=1).max() >= least_mm]
    if len(large) < 2:  # noqa: PLR2004  # one is the ordinary scan
        return (whole,)
    of_triangle = names[tree_of(points.T).query(whole.triangles.mean(axis=1))[1]]
    large = [name for name in large if (of_triangle == name).any()]

    def made(group: Mapping[int, int], firsts: Iterable[int]) -> list[tuple[Part, int]]:
        # What is no impression goes with the nearest one.
        kept = np.isin(names, list(group))
        away_mm, nearest = tree_of(points[:, kept].T).query(points.T)
        order = np.lexsort([away_mm, names])
        _, start = np.unique(names[order], return_index=True)
        closest = names[kept][nearest[order[start]]].tolist()
        belongs = np.array([group[name] for name in closest])[of_triangle]
        own = [belongs == name for name in firsts]
        return [(whole_scan(whole.triangles[mine]), int(np.argmax(mine))) for mine in own]

    tried = {name: whole_scan(whole.triangles[of_triangle == name]) for name in large}
    return _parted(whole, tried, made)


def joined_apart(
    part: Part, frame: Frame, relief: HeightMap, footprint: Footprint, rooms: ReachableVoid
) -> tuple[Part, ...]:
    """Part impressions that one surface joins, by the pieces seen along the first pour axis."""
    points = part.samples.points_mm
    cell = relief.grid.cells_of(*frame.to_frame(points)[:2])
    piece = np.where(cell >= 0, _pieces(relief, footprint, rooms).ravel()[cell], 0)
    cores = piece > 0
    pieces = np.unique(piece[cores]).tolist()
    if len(pieces) < 2:  # noqa: PLR2004  # nothing to part
        return (part,)
    tree, middles = tree_of(frame.to_frame(points[:, cores])[:2].T), part.corners.mean(axis=1)

    def plan_of(names: Sequence[int]) -> Plan:
        return Plan(frame=frame, cores=tree, mine=np.isin(piece[cores], names))

    def within(plan: Plan) -> Part:
        own = replace(part.samples, points_mm=points[:, plan.holds(points)])
        return replace(part, samples=own, within=plan)

    def made(group: Mapping[int, int], firsts: Iterable[int]) -> list[tuple[Part, int]]:
        own = [[piece for piece, first in group.items() if first == name] for name in firsts]
        return [(within(plan), int(np.argmax(plan.holds(middles)))) for plan in map(plan_of, own)]

    tried = {name: within(plan_of([name])) for name in pieces}
    return _parted(part, tried, made, frame.rotation[2])


def other_side(part: Part, axis: Floats) -> Part | None:
    """Give the same surface opened to the other side, where that holds a fair share too."""
    samples = part.samples
    if samples.is_open and samples.vector_area @ axis > 0.0:  # the back of a sheet is no opening
        return None
    if held_along(samples, -axis) < FAIR_SHARE * held_along(samples, axis):
        return None
    with suppress(ScanError):  # a hollow without a rim
        return replace(part, pose=pose_along(samples, -axis))
    return None


def own_columns(columns: Columns, frame: Frame, within: Plan) -> Columns:
    """Keep the columns, cut in a frame, whose highest crossing lies round one impression."""
    top = np.append(columns.cell[1:] != columns.cell[:-1], True)
    seen = np.stack([*columns.grid.places_mm(columns.cell), columns.z_mm])[:, top]
    own = within.holds(frame.rotation.T @ seen + frame.origin_mm[:, None])
    kept = np.repeat(own, np.diff(np.flatnonzero(top), prepend=-1))
    cell, z_mm, up = columns.cell[kept], columns.z_mm[kept], columns.up[kept]
    triangle = columns.triangle[kept] if len(columns.triangle) else columns.triangle
    return sorted_columns(columns.grid, cell, z_mm, up, triangle)


def _clusters(points_mm: Floats) -> Ints:
    """Name the parts that gaps run between, from 0, for each of the points, (3, m)."""
    cell = ((points_mm - points_mm.min(axis=1, keepdims=True)) / GAP_MM).astype(np.int64)
    if np.prod(cell.max(axis=1) + 1.0) > MOST_CELLS:  # strays: a gap is one, however wide
        for along in cell:  # numbered anew, with one free cell for each gap
            known, which = np.unique(along, return_inverse=True)
            along[:] = np.cumsum(np.minimum(np.diff(known, prepend=known[0]), 2))[which]
    if np.prod(cell.max(axis=1) + 1.0) > MOST_CELLS:
        return np.zeros(points_mm.shape[1], dtype=np.int64)
    taken = np.zeros(cell.max(axis=1) + 1, dtype=bool)
    taken[tuple(cell)] = True
    names, _ = ndimage.label(taken, np.ones((3, 3, 3)))
    return np.asarray(names[tuple(cell)], np.int64) - 1


def _pieces(relief: HeightMap, footprint: Footprint, rooms: ReachableVoid) -> Ints:
    """Name, on the grid, the pieces of the footprint and hollows beside it that hold enough."""
    names, count = ndimage.label(relief.grid.map_of(rooms.cell))
    depth = np.where(footprint.inside, 0.0, pools(relief))
    hollows, more = ndimage.label(depth > LEAST_POOL_MM)
    hollows_mm = ndimage.sum_labels(depth, hollows, np.arange(1, more + 1))
    held_ml = np.append(rooms.pieces_ml, hollows_mm * (relief.grid.pitch_mm**2 / 1000.0))
    names = np.where(names > 0, names, np.where(hollows > 0, hollows + count, 0))
    fair = held_ml >= FAIR_SHARE * held_ml.max(initial=0.0)
    return np.where(np.append(False, fair)[names], names, 0)


def _parted(
    whole: Part,
    candidates: Mapping[int, Part],
    made: Callable[[Mapping[int, int], Iterable[int]], list[tuple[Part, int]]],
    axis: Floats | None = None,
) -> tuple[Part, ...]:
    """Tell which candidates are of one impression, and make a part of each; else all is one.

    Candidates count that hold a fair share of what the largest holds. `made` gives the part of each
    group's first, and which triangle of the file begins it. It has a pose where it is not torn, and
    a note where it was scanned again. The axis, (3,), is one along which all hold something, where
    it is known.
    """
    tried = {name: _posed(part, axis) for name, part in candidates.items()}
    posed = {name: part for name, part in tried.items() if part is not None}
    most_ml = max((_pose(part).held_ml for part in posed.values()), default=0.0)
    fair = {k: part for k, part in posed.items() if _pose(part).held_ml >= FAIR_SHARE * most_ml}
    fair = {k: part for k, part in fair.items() if not _is_outside(part, fair.values())}
    group = {name: name for name in fair}  # the first of its impression: torn ones are of one
    for one, other in combinations(fair, 2):
        if _torn(fair[one], fair[other]):
            first, second = group[one], group[other]
            group = {name: first if at == second else at for name, at in group.items()}
    if len(set(group.values())) < 2:  # noqa: PLR2004  # nothing to part
        return (whole,)
    firsts: dict[int, Part] = {}
    for name in (one for one, first in group.items() if one == first):
        part = fair[name]
        if list(group.values()).count(name) > 1:
            firsts[name] = replace(part, pose=None)
            continue
        for seen, known in firsts.items():
            if known.pose and is_copy(part.samples, known.samples, known.own_triangles):
                notes = (*candidates[seen].notes, Note("scanned-twice", copy=True))
                firsts[seen] = replace(known, notes=notes)
                break
        else:
            firsts[name] = part
    parts = list(zip(made(group, firsts), firsts.values(), strict=True))
    parts.sort(key=lambda each: each[0][1])  # as they come in the file
    return tuple(replace(part, pose=one.pose, notes=one.notes) for (part, _), one in parts)


def _posed(part: Part, axis: Floats | None) -> Part | None:
    """Look for the way out of a candidate; an impression on a large bench holds little for that."""
    with suppress(ScanError):
        return replace(part, pose=find_pose(part.samples))
    with suppress(ScanError):
        return None if axis is None else replace(part, pose=pose_along(part.samples, axis))
    return None


def _pose(part: Part) -> Pose:
    assert part.pose is not None  # noqa: S101  # candidates have one
    return part.pose


def _is_outside(part: Part, others: Iterable[Part]) -> bool:
    """Say whether a part is the outer side of a tray: it lies round another, and faces away."""
    if not part.samples.is_open or _facing(part) >= 0.0:
        return False
    axis = _pose(part).axis
    return any(
        _facing(other) > 0.0
        and axis @ _pose(other).axis > 0.0
        and np.linalg.norm(other.middle_mm - part.middle_mm) < POSSIBLE_MM[0]
        for other in others
    )


def _facing(part: Part) -> float:
    return float(part.samples.vector_area @ _pose(part).axis)


def _torn(one: Part, other: Part) -> bool:
    """Say whether a strip that was not seen parts one impression: bridged, it holds far more."""
    here, there = one.samples.points_mm, other.samples.points_mm
    away_mm, nearest = tree_of(there.T).query(here.T, distance_upper_bound=TORN_MM)
    near = np.isfinite(away_mm)
    if not near.any():
        return False
    start, end = here[:, near, None], there[:, nearest[near], None]
    steps = np.arange(BRIDGE_MM, TORN_MM, BRIDGE_MM) / TORN_MM
    bridge = (start + (end - start) * steps).reshape(3, -1)
    bridged = replace(one.samples, points_mm=np.concatenate([here, there, bridge], axis=1))
    axes = _pose(one).axis, _pose(other).axis
    # Not boxed in: what each half would hold so is no sign that it is an impression.
    apart_ml = held_along(one.samples, axes[0]) + held_along(other.samples, axes[1])
    return any(held_along(bridged, axis) > TORN_GAIN * apart_ml for axis in axes)
