"""Several impressions in one scan: which part of the surface is measured for which of them.

Impressions that lie apart are told by the gap between them, before any pour axis is looked for, so
that each gets its own. Impressions that a bench joins show as pieces of one footprint, or as a
hollow beside it, and are parted in plan. A tray with an arch bitten into either side is one
surface, measured along two axes. What holds too little to be one, as islands, bench and holder,
stays with the impression it lies nearest to. A surface that lies there twice is one impression.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from volest.cavity.columns import Ints
from volest.cavity.footprint import LEAST_POOL_MM, Footprint, pools
from volest.cavity.frame import Floats, Frame
from volest.cavity.polarity import by_coordinate
from volest.cavity.pose import Pose, find_pose, held_along, levelled
from volest.cavity.relief import Relief
from volest.cavity.rooms import Rooms
from volest.cavity.samples import Samples, spread_samples
from volest.cavity.surface import LOOPS
from volest.cavity.twice import is_copy, note_twice
from volest.errors import ScanError
from volest.notes import Note
from volest.scan.compiling import loops

GAP_MM = 2.5  # two views of one impression that do not quite meet leave less
LEAST_SHARE = 0.01  # of the surface: less is an island, whatever else is in the scan
LEAST_SIDE_MM = 15.0  # of a part's box, its longest: no impression is smaller, as for whole scans
# Of what the largest holds. Hollows of a tray's outside and handle held a fifth at most of what
# the impression did; of the arches of one mouth a quadrant holds a quarter of a full arch.
FAIR_SHARE = 0.2
TORN_MM = 10.0  # between two parts of one impression, where a strip was not seen
OPEN_SHARE = 0.5  # of what it holds boxed in: a half that is torn off runs out at the tear


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """What is measured as one impression.

    Parameters
    ----------
    corners : ndarray
        (3, 3, n): coordinate, corner, triangle, in the scan's own frame.
    samples : Samples
        Points spread over them.
    pose : Pose or None
        The way out of its opening, where that is known.
    notes : tuple of Note
        What was seen in parting.
    """

    corners: Floats
    samples: Samples
    pose: Pose | None = None
    notes: tuple[Note, ...] = ()

    @property
    def triangles(self) -> Floats:
        """The triangles, (n, 3, 3): triangle, corner, coordinate."""
        return self.corners.transpose(2, 1, 0)

    @property
    def middle_mm(self) -> Floats:
        """Its middle, (3,), in the scan's own frame."""
        return np.asarray(self.samples.points_mm.mean(axis=1))


def whole_scan(triangles: Floats) -> Part:
    """Take all of some triangles, (n, 3, 3), for one part."""
    # Compiled loops take triangles one by one, numpy takes coordinates.
    compiled = loops(LOOPS) is not None
    corners = triangles.transpose(2, 1, 0) if compiled else by_coordinate(triangles)
    return Part(corners=corners, samples=spread_samples(corners))


def apart(whole: Part) -> tuple[Part, ...]:
    """Part a scan where gaps run between its impressions; itself where there is only one."""
    points = whole.samples.points_mm
    names = _clusters(points)
    size = np.bincount(names)
    large = [
        name
        for name in np.flatnonzero(size >= LEAST_SHARE * len(names))
        if np.ptp(points[:, names == name], axis=1).max() >= LEAST_SIDE_MM
    ]
    if len(large) < 2:  # noqa: PLR2004  # one is the ordinary scan
        return (whole,)
    owner = names[cKDTree(points.T).query(whole.triangles.mean(axis=1))[1]]
    return _impressions(whole, np.where(np.isin(owner, large), owner, -1))


def joined_apart(
    part: Part, frame: Frame, relief: Relief, footprint: Footprint, rooms: Rooms
) -> tuple[Part, ...]:
    """Part impressions that one surface joins, by the pieces seen along the first pour axis."""
    pieces = _pieces(relief, footprint, rooms)
    cell = relief.grid.cells_of(*frame.to_frame(part.samples.points_mm)[:2])
    name = np.where(cell >= 0, pieces.ravel()[cell], 0)
    cores = np.unique(name[name > 0])
    if len(cores) < 2:  # noqa: PLR2004  # nothing to part
        return (part,)
    plan = frame.to_frame(part.samples.points_mm)[:2, name > 0].T
    middles = frame.to_frame(part.corners.mean(axis=1))[:2].T
    owner = name[name > 0][cKDTree(plan).query(middles)[1]]
    return _impressions(part, owner)


def other_side(part: Part, axis: Floats) -> Part | None:
    """Give the same surface opened to the other side, where that holds a fair share too."""
    if held_along(part.samples, -axis) < FAIR_SHARE * held_along(part.samples, axis):
        return None
    back = levelled(part.samples, -axis)
    held = held_along(part.samples, back)
    pose = replace(find_pose(part.samples), axis=back, held_ml=held, runner_up=0.0)
    return replace(part, pose=pose)


def _clusters(points_mm: Floats) -> Ints:
    """Name the parts that gaps run between, from 0, for each of the points, (3, m)."""
    cell = ((points_mm - points_mm.min(axis=1, keepdims=True)) / GAP_MM).astype(np.int64)
    taken = np.zeros(cell.max(axis=1) + 1, dtype=bool)
    taken[tuple(cell)] = True
    names, _ = ndimage.label(taken, np.ones((3, 3, 3)))
    return np.asarray(names[tuple(cell)], np.int64) - 1


def _pieces(relief: Relief, footprint: Footprint, rooms: Rooms) -> Ints:
    """Name, on the grid, the pieces of the footprint and hollows beside it that hold enough."""
    covered = np.zeros(relief.top_mm.size, dtype=bool)
    covered[rooms.cell] = True
    names, count = ndimage.label(covered.reshape(relief.top_mm.shape))
    depth = np.where(footprint.inside, 0.0, pools(relief))
    hollows, more = ndimage.label(depth > LEAST_POOL_MM)
    held_ml = np.concatenate(
        [
            rooms.pieces_ml,
            ndimage.sum_labels(depth, hollows, np.arange(1, more + 1))
            * (relief.grid.pitch_mm**2 / 1000.0),
        ]
    )
    names = np.where(names > 0, names, np.where(hollows > 0, hollows + count, 0))
    fair = held_ml >= FAIR_SHARE * held_ml.max(initial=0.0)
    return np.where(np.append(False, fair)[names], names, 0)


def _impressions(whole: Part, owner: Ints) -> tuple[Part, ...]:
    """Keep the candidates that are impressions; the whole where these are not two at least.

    The owner, (n,), numbers the candidate that each triangle belongs to, from 0; or is -1.
    """
    found = _fair({name: whole.triangles[owner == name] for name in np.unique(owner[owner >= 0])})
    group = _groups(found)
    if len(set(group.values())) < 2:  # noqa: PLR2004  # nothing to part
        return (whole,)
    # What is no impression goes with the one that it lies nearest to.
    points = np.concatenate([part.samples.points_mm.T for part in found.values()])
    groups = np.repeat(
        [group[name] for name in found],
        [part.samples.points_mm.shape[1] for part in found.values()],
    )
    belongs = groups[cKDTree(points).query(whole.triangles.mean(axis=1))[1]]
    for name in found:
        belongs[owner == name] = group[name]
    once = _once({name: found[name] for name in found if group[name] == name}, group)
    return tuple(
        replace(
            whole_scan(whole.triangles[belongs == name]),
            notes=(*whole.notes, *notes),
        )
        for name, notes in once.items()
    )


def _fair(candidates: Mapping[int, Floats]) -> dict[int, Part]:
    """Pose the candidates, and keep those that hold a fair share of what the largest holds."""
    posed = {}
    for name, triangles in candidates.items():
        part = whole_scan(triangles)
        try:
            posed[name] = replace(part, pose=find_pose(part.samples))
        except ScanError:
            continue
    most_ml = max((_pose(part).held_ml for part in posed.values()), default=0.0)
    fair = {k: part for k, part in posed.items() if _pose(part).held_ml >= FAIR_SHARE * most_ml}
    return {k: part for k, part in fair.items() if not _is_outside(part, fair.values())}


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
        and np.linalg.norm(other.middle_mm - part.middle_mm) < LEAST_SIDE_MM
        for other in others
    )


def _facing(part: Part) -> float:
    return float(part.samples.vector_area @ _pose(part).axis)


def _groups(parts: Mapping[int, Part]) -> dict[int, int]:
    """Say for each part which is the first of its impression: torn ones are of one."""
    group = {name: name for name in parts}
    for one, other in combinations(parts, 2):
        if _torn(parts[one], parts[other]):
            first, second = group[one], group[other]
            group = {name: first if at == second else at for name, at in group.items()}
    return group


def _torn(one: Part, other: Part) -> bool:
    """Say whether a strip that was not seen parts one impression: both run out, near each other."""
    return all(map(_runs_out, (one, other))) and _gap_mm(one, other) < TORN_MM


def _runs_out(part: Part) -> bool:
    pose = _pose(part)
    return pose.held_ml < OPEN_SHARE * held_along(part.samples, pose.axis, dammed=True)


def _gap_mm(one: Part, other: Part) -> float:
    tree = cKDTree(one.samples.points_mm.T)
    return float(tree.query(other.samples.points_mm.T)[0].min())


def _once(parts: Mapping[int, Part], group: Mapping[int, int]) -> dict[int, tuple[Note, ...]]:
    """Leave out what is a copy of a part before it, and note it there; torn parts have none."""
    whole = {name for name in parts if list(group.values()).count(name) == 1}
    once: dict[int, tuple[Note, ...]] = {}
    for name, part in parts.items():
        same = (
            other
            for other in once
            if {name, other} <= whole
            and is_copy(part.samples, parts[other].samples, parts[other].triangles)
        )
        first = next(same, None)
        if first is None:
            once[name] = ()
        else:
            once[first] = (note_twice("beside itself"),)
    return once
