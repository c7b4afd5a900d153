"""Which side of the surface is air: winding mended where it is mixed, turned where it is turned."""

from dataclasses import dataclass
from itertools import product
from operator import attrgetter
from typing import Any

import numpy as np

from volest.cavity.columns import Columns, Grid, Surface, columns_of, grid_over
from volest.cavity.footprint import find_footprint, pools
from volest.cavity.frame import Bools, Floats, Frame, Ints
from volest.cavity.height_map import height_map_of_columns
from volest.cavity.pose import Samples
from volest.errors import ScanError
from volest.notes import Note
from volest.scan.checks import alike, areas_mm2, same_corners, same_rows

MISFIT_SHARE = 1e-4  # of crossings; sound scans have none, a hundredth of turned faces some 2 %
STILL_MISFIT_SHARE = 0.02  # what mending left: more than this and the surface is not one
MOST_UNSEEN_SHARE = 0.15  # of crossings: a surface of which so much lacks its back is two in one
CROSSING_SHARE = 2e-3  # more than the grazing folds of one noisy surface: bodies that cross
WITHIN_SHARE = 0.9  # of its crossings: that part of a body inside is that body
MAJORITY = 0.5
MOST_BODIES = 8  # the largest: dust is never the impression
FREE_MM = 3.0  # round the samples: more than their spacing on the largest scan
SECOND_SHELL_SHARE = 0.25  # of the faces: less is a patch and not the impression again
RISING_SHARE = 0.5  # of the scan's edge: a scan that has passed its rim rises almost nowhere


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrientedSurface:
    """The triangles with air on their upper side, in the frame, and their columns."""

    surface: Surface  # the triangles
    columns: Columns  # the crossings
    turned: bool  # whether all faces pointed away from the opening in the file
    notes: tuple[Note, ...]  # what was mended

    @property
    def corners_mm(self) -> Floats:
        """Corners in the frame, (3, 3, n): coordinate, corner, triangle."""
        return self.surface.corners_mm


def orient_surface(
    corners_mm: Floats, samples: Samples, frame: Frame, pitch_mm: float
) -> OrientedSurface:
    """Cut the columns, with the winding put right where they show that it is not.

    `corners_mm` (3, 3, n).
    """
    x, y, _ = frame.to_frame(samples.points_mm)
    grid = grid_over(x, y, pitch_mm, free_mm=FREE_MM)
    surface = Surface(triangles=corners_mm.transpose(2, 1, 0), frame=frame)
    columns = columns_of(surface, grid)
    notes: list[Note] = []
    if columns.misfit_share > MISFIT_SHARE:
        surface, columns, notes = _mended(surface, grid)
    turned = columns.seen_up_share < MAJORITY
    if turned:
        surface = surface.turned_about()
        columns = columns_of(surface, grid)
    return OrientedSurface(surface=surface, columns=columns, turned=turned, notes=tuple(notes))


def _mended(surface: Surface, grid: Grid) -> tuple[Surface, Columns, list[Note]]:
    """Put the winding right, and where bodies cross keep the one that holds most."""
    mended = mend_winding(surface.triangles)
    surface = Surface(triangles=mended.triangles, frame=surface.frame)
    columns = columns_of(surface, grid)
    notes = []
    if mended.turned or mended.doubled:
        notes.append(Note("winding-mended", turned=mended.turned, doubled=mended.doubled))
    if columns.misfit_share > CROSSING_SHARE and mended.body.any():
        kept = _main_body(columns, mended.body)
        if not kept.all():
            left_out = surface.triangles[~kept].mean(axis=1)
            is_again = len(left_out) > SECOND_SHELL_SHARE * len(kept)
            if is_again and lies_on(left_out, surface.triangles[kept]):
                notes.append(Note("scanned-twice", copy=False))
            else:
                notes.append(
                    Note("parts-left-out", share_percent=100 * (1.0 - float(np.mean(kept))))
                )
        surface, columns = surface.chosen(kept), columns.of(kept)
    if (
        columns.tangles > STILL_MISFIT_SHARE * len(columns.cell)
        or columns.misfit_share > MOST_UNSEEN_SHARE
    ):
        raise ScanError(
            f"a surface that crosses itself in {100 * columns.misfit_share:.0f} % of its columns",
            needed="one surface with two sides",
            remedy="scan again, or clean the mesh (self-intersections, stray parts) and export "
            "again",
            code="tangled",
        )
    return surface, columns, notes


def _main_body(columns: Columns, body: Ints) -> Bools:
    """Choose the triangles of the body that holds most, and of what does not cross it."""
    large = np.argsort(-np.bincount(body))[:MOST_BODIES]
    alone = [columns.of(body == number) for number in large]
    held = [pools(height_map_of_columns(own)).sum() if own.up.any() else 0.0 for own in alone]
    best = int(np.argmax(held))
    kept, so_far = body == large[best], alone[best]
    relief = height_map_of_columns(so_far)
    footprint = find_footprint(relief)
    border_mm = relief.top_mm[footprint.border]
    rim_mm = float(np.median(border_mm)) if len(border_mm) else -np.inf
    # Over or under an impression that is whole by itself lie strangers; of a part of one, backs
    # may be unseen.
    for number, own in zip(large, alone, strict=True):
        more = kept | (body == number)
        together = columns.of(more)
        # In the cavity and below its rim lies a piece of its floor.
        within = footprint.inside.ravel()[own.cell] & (own.z_mm < rim_mm)
        is_piece = np.count_nonzero(within) > WITHIN_SHARE * len(within)
        is_whole = footprint.has_passed_rim and not is_piece
        # What crosses adds misfits that neither has by itself.
        bad = attrgetter("misfits" if is_whole else "tangles")
        added = bad(together) - bad(so_far) - bad(own)
        if added <= CROSSING_SHARE * len(together.cell):
            kept, so_far = more, together
    return np.asarray(kept)


def by_coordinate(triangles: Floats) -> Floats:
    """Lay triangles out coordinate by coordinate, as all stages want them.

    `triangles` (n, 3, 3); gives (3, 3, n).
    """
    return np.ascontiguousarray(triangles.transpose(2, 1, 0))


def refuse_cast(*, is_open: bool, turned: bool, rising_share: float) -> tuple[Note, ...]:
    """Refuse the skin of a cast; note a skin that is merely turned.

    The skin of a cast seen from inside is a bowl like an impression, but it ends while its walls
    still rise; the scan of an impression passes its rim.
    """
    if not turned:
        return ()
    if is_open and rising_share > RISING_SHARE:
        raise ScanError(
            "a surface whose faces point away from the opening and that has no rim: it looks "
            "like the scan of a cast",
            needed="the scan of an impression, teeth as pits, rim included",
            remedy="scan the impression; if this is one, exported inside out, use --inside-out",
            code="cast",
        )
    return (Note("faces-turned", is_open=is_open),)


PAIR = 2  # faces an edge: with one it is a border, with three or more it tells nothing
# Of the farthest coordinate: a corner put amid a side lies off it by its rounding, as float32
# (6e-8) or as text of six figures (5e-6).
ROUNDED = 1e-5
MOST_BESIDE = 32  # lone sides at one corner that are compared; a torn surface has some ten


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MendedWinding:
    """Triangles with their winding put right."""

    triangles: Floats  # (m, 3, 3) in mm, read-only, in the order of the input
    body: Ints  # (m,) the body, from 0, that each face belongs to, joined by edges
    turned: int  # faces that were turned
    doubled: int  # faces that stood there before, in either winding, and were left out


def mend_winding(triangles: Floats) -> MendedWinding:
    """Turn the faces of each body to the side of its area-weighted majority.

    Corners with the same coordinates are one vertex, faces with the same three vertices are one
    face. Neighbours over an edge of exactly two faces must run along it in opposite directions
    [from memory: orientable 2-manifolds, any text on algebraic topology]. Where a face has corners
    amid its sides that its neighbour lacks, `_along_pairs` finds it. Faces as flat as their
    rounding part no others: these are paired as if there were none, and bodies that one touches
    are one.
    """
    vertices = same_corners(triangles)
    faces = same_rows(np.sort(vertices, axis=1).astype(np.float64))  # (n,)
    near_mm = ROUNDED * np.abs(triangles).max()
    areas = areas_mm2(triangles)
    sides_mm = [np.linalg.norm(triangles[:, k] - triangles[:, k - 1], axis=1) for k in range(3)]
    flat = 2.0 * areas < near_mm * np.max(sides_mm, axis=0)  # (n,) by its height
    keep = np.flatnonzero((faces == np.arange(len(faces))) | flat)
    triangles, vertices, areas, flat = triangles[keep], vertices[keep], areas[keep], flat[keep]
    body, turn = _turns(len(triangles), _pairs(triangles, vertices, flat, near_mm))
    balance = np.bincount(body, weights=np.where(turn, -areas, areas))
    turn ^= (balance < 0)[body]  # where the larger area would be turned, all the others are
    triangles[turn, 1], triangles[turn, 2] = triangles[turn, 2], triangles[turn, 1]
    triangles.flags.writeable = False
    return MendedWinding(
        triangles=triangles,
        body=_joined_by_flat(body, vertices, flat),
        turned=int(turn.sum()),
        doubled=len(faces) - len(keep),
    )


def _pairs(triangles: Floats, vertices: Ints, flat: Bools, near_mm: float) -> Ints:
    """Pair neighbours, (3, e): two faces each, and 1 where their windings disagree.

    Over edges and along sides; flat faces with all over edges.
    """
    faces = np.flatnonzero(~flat)
    over, lone = _edge_pairs(vertices[faces])
    start, end = vertices[faces].reshape(-1), vertices[faces][:, [1, 2, 0]].reshape(-1)
    corners = triangles[faces].reshape(-1, 3)
    along = _along_pairs(lone, start[lone], end[lone], corners, near_mm)
    pairs = np.concatenate([over, along], axis=1)
    pairs[:2] = faces[pairs[:2]]
    if flat.any():
        every, _ = _edge_pairs(vertices)
        pairs = np.concatenate([pairs, every[:, flat[every[:2]].any(axis=0)]], axis=1)
    return pairs


def _edge_pairs(vertices: Ints) -> tuple[Ints, Ints]:
    """Pair faces, (n, 3), over edges that two have; give too the half-edges that only one has."""
    start = vertices.reshape(-1)  # (3 n,) half-edges, three a face
    end = vertices[:, [1, 2, 0]].reshape(-1)
    keys = np.minimum(start, end) * (vertices.max(initial=0) + 1) + np.maximum(start, end)
    order, heads, count = alike(keys.astype(np.uint64))
    twos = heads[count == PAIR]
    one, other = order[twos], order[twos + 1]
    pairs = np.stack([one // 3, other // 3, start[one] == start[other]])
    # A face with two equal corners meets itself.
    return pairs[:, pairs[0] != pairs[1]], order[heads[count == 1]]


def _along_pairs(lone: Ints, start: Ints, end: Ints, corners: Floats, near_mm: float) -> Ints:
    """Pair half-edges that no other face has, where two leave one corner along one line.

    So the side of a face is paired with the first piece of it from either end, where its neighbour
    has corners amid it. The half-edges are given by number, with their vertices; corners (3 n, 3)
    are those that they start from.
    """
    place = np.tile(lone, 2)
    leaves = np.repeat([True, False], len(lone))
    vertex = np.append(start, end)
    order = np.argsort(vertex, kind="stable")
    place, leaves, vertex = place[order], leaves[order], vertex[order]
    after = place - place % 3 + (place + 1) % 3
    ways = np.where(leaves, 1.0, -1.0)[:, None] * (corners[after] - corners[place])
    lengths = np.linalg.norm(ways, axis=1)
    found = []
    here = np.arange(len(vertex))
    for further in range(1, MOST_BESIDE + 1):
        here = here[here + further < len(vertex)]
        here = here[vertex[here] == vertex[here + further]]
        there = here + further
        shorter = np.where(lengths[here] < lengths[there], here, there)
        longer = here + there - shorter
        unit = ways[longer] / np.maximum(lengths[longer], np.finfo(float).tiny)[:, None]
        reach = (ways[shorter] * unit).sum(axis=1)
        off_mm = np.linalg.norm(ways[shorter] - reach[:, None] * unit, axis=1)
        found.append(np.stack([here, there])[:, (reach > near_mm) & (off_mm < near_mm)])
    both = np.concatenate(found, axis=1)
    mates = np.bincount(both.ravel(), minlength=len(vertex))
    one, other = both[:, (mates[both] == 1).all(axis=0)]  # as over an edge, three tell nothing
    return np.stack([place[one] // 3, place[other] // 3, leaves[one] == leaves[other]])


def _joined_by_flat(body: Ints, vertices: Ints, flat: Bools) -> Ints:
    """Give the bodies new numbers, those one that a flat face touches."""
    if not flat.any():
        return body
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    at = np.empty(vertices.max() + 1, np.intp)  # a body that has this vertex
    for which in (flat, ~flat):
        at[vertices[which]] = body[which, None]
    ends = (np.repeat(body[flat], 3), at[vertices[flat]].reshape(-1))
    bodies = int(body.max()) + 1
    joined = coo_array((np.ones(len(ends[0]), np.int8), ends), shape=(bodies, bodies))
    return np.asarray(connected_components(joined, directed=False)[1])[body]


def _turns(faces: int, pairs: Ints) -> tuple[Ints, Bools]:
    """Tell the bodies apart, and say which faces to turn to agree with the first of their body."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order, connected_components

    ends = np.append(pairs[:2], pairs[1::-1], axis=1)
    joined = coo_array((np.ones(ends.shape[1], np.int8), ends), shape=(faces, faces))
    bodies, body = connected_components(joined)
    # A root joined to the first face of each body makes one tree of all bodies.
    first = np.full(bodies, faces)
    np.minimum.at(first, body, np.arange(faces))
    ends = np.append(ends, [np.full(bodies, faces), first], axis=1)
    rooted = coo_array((np.ones(ends.shape[1], np.int8), ends), shape=(faces + 1, faces + 1))
    parents = breadth_first_order(rooted.tocsr(), faces)[1].astype(np.intp)
    parents[faces] = faces
    turn = np.zeros(faces + 1, np.bool_)
    for one, other in (pairs[:2], pairs[1::-1]):
        of_tree = parents[one] == other
        turn[one[of_tree]] = pairs[2, of_tree]
    # The turns from each face up to the root are summed, twice as far in each round.
    while (parents != parents[parents]).any():
        turn = turn ^ turn[parents]
        parents = parents[parents]
    return body, turn[:faces]


IN_PLACE_MM = 0.6  # two scans of one surface are matched far closer than that
# Noise of 0.1 mm on both views stays under it; of two impressions of one jaw the teeth may lie as
# close, but not flanges and rim, which are some two fifths of the surface.
COPY_MM = 0.2
ALIKE_SHARE = 0.8  # of the points; the two views need not end at the same place
SPREAD_ALIKE = 0.05  # of the spread along each principal axis, for a copy to be looked for
POINTS = 2_000
STEPS = 40  # of matching; fifteen were enough in trials


def lies_on(points_mm: Floats, triangles: Floats) -> bool:
    """Say whether points, (m, 3), are of a surface, (n, 3, 3), that was scanned in place again."""
    off_mm, away_mm = _nearest(points_mm, *_planes(triangles))
    return bool(np.mean((off_mm < IN_PLACE_MM) & (away_mm < IN_PLACE_MM * 4.0)) > ALIKE_SHARE)


def is_copy(samples: Samples, other: Samples, triangles: Floats) -> bool:
    """Say whether a surface is, moved as a whole, another one, whose triangles are (n, 3, 3)."""
    here, there = samples.points_mm.T, other.points_mm.T
    spread, axes = np.linalg.eigh(np.cov(here.T))
    spread_there, axes_there = np.linalg.eigh(np.cov(there.T))
    if np.any(np.abs(np.sqrt(spread / spread_there) - 1.0) > SPREAD_ALIKE):
        return False
    points = here[:: max(len(here) // POINTS, 1)] - here.mean(axis=0)
    centres, normals = _planes(triangles)
    for first, second in product((1.0, -1.0), repeat=2):
        turned = axes * np.array([first, second, 1.0])
        turn = axes_there @ turned.T
        if np.linalg.det(turn) < 0.0:
            turn = axes_there @ (turned * np.array([1.0, 1.0, -1.0])).T
        if _matched(points @ turn.T + there.mean(axis=0), centres, normals):
            return True
    return False


def _planes(triangles: Floats) -> tuple[Floats, Floats]:
    """Return middles and unit normals, each (n, 3)."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return triangles.mean(axis=1), normal / np.maximum(length, 1e-12)


def tree_of(points_mm: Floats) -> Any:
    """Put points, (m, k), into a cKDTree; ordinary scans never ask, and are spared its import."""
    from scipy.spatial import cKDTree

    return cKDTree(points_mm)


def _nearest(points_mm: Floats, centres: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Return how far each point is off the plane of the nearest triangle, and off its middle."""
    away_mm, which = tree_of(centres).query(points_mm)
    return np.abs(((points_mm - centres[which]) * normals[which]).sum(axis=1)), away_mm


def _matched(points_mm: Floats, centres: Floats, normals: Floats) -> bool:
    """Move points onto a surface step by step (point to plane), and say whether they lie on it."""
    from scipy.spatial.transform import Rotation

    tree, moved = tree_of(centres), points_mm
    for _ in range(STEPS):
        away_mm, which = tree.query(moved)
        near = away_mm <= np.quantile(away_mm, ALIKE_SHARE)
        p, n = moved[near], normals[which[near]]
        off_mm = ((p - centres[which[near]]) * n).sum(axis=1)
        middle = p.mean(axis=0)
        turn_and_shift = np.linalg.lstsq(
            np.concatenate([np.cross(p - middle, n), n], axis=1), -off_mm, rcond=None
        )[0]
        turn = Rotation.from_rotvec(turn_and_shift[:3])
        moved = middle + turn.apply(moved - middle) + turn_and_shift[3:]
        if np.abs(turn_and_shift).max() < COPY_MM * 1e-3:
            break
    off_mm, _ = _nearest(moved, centres, normals)
    return bool(np.quantile(off_mm, ALIKE_SHARE) < COPY_MM)
