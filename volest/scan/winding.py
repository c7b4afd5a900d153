"""Winding: all faces of a body turned to the same side, each face once.

Called only where the winding is in doubt: it costs more than the reading itself.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from volest.scan.checks import Bools, Floats, areas_mm2

# Odd factors spread the bits of three numbers over one of 64; which ones does not matter, since
# rows that share a mixed number are compared bit by bit.
MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
HALF = np.uint64(32)
PAIR = 2  # faces an edge: with one it is a border, with three or more it tells nothing
# Of the farthest coordinate: a corner put amid a side lies off it by its rounding, as float32
# (6e-8) or as text of six figures (5e-6).
ROUNDED = 1e-5
MOST_BESIDE = 32  # lone sides at one corner that are compared; a torn surface has some ten
Ints = NDArray[np.intp]


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
    faces = _same_rows(np.sort(vertices, axis=1).astype(np.float64))  # (n,)
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


def same_corners(triangles: Floats) -> Ints:
    """Give corners of triangles, (n, 3, 3), numbers from 0, (n, 3): one for the same place."""
    points = triangles.reshape(-1, 3) + 0.0  # copied, -0.0 made 0.0
    labels = _same_rows(points)
    numbers: Ints = np.cumsum(labels == np.arange(len(labels))) - 1
    return numbers[labels].reshape(-1, 3)


def _alike(keys: NDArray[np.uint64]) -> tuple[Ints, Ints, Ints]:
    """Sort keys: their order, where in it each begins, and how often it is there."""
    order = np.argsort(keys)
    ordered = keys[order]
    heads = np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1])[: len(keys)])
    return order, heads, np.diff(np.append(heads, len(keys)))


def _same_rows(rows: Floats) -> Ints:
    """Give each row (m, 3) a number: that of the place where its like first stands."""
    columns = np.ascontiguousarray(rows.T).view(np.uint64)  # (3, m)
    mixed = np.zeros(len(rows), np.uint64)
    for column, factor in zip(columns, MIXERS, strict=True):
        # Numbers that were float32 end in 29 zero bits: fold them before they are multiplied.
        mixed = (mixed ^ column ^ (column >> HALF)) * factor
        mixed ^= mixed >> HALF
    order, heads, count = _alike(mixed)
    labels = np.empty(len(rows), np.intp)
    labels[order] = np.repeat(np.minimum.reduceat(order, heads), count)
    if (columns != columns[:, labels]).any():  # two different rows with one mixed number
        first, same = np.unique(columns, axis=1, return_index=True, return_inverse=True)[1:]
        labels = first[same.reshape(-1)]
    return labels


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
    order, heads, count = _alike(keys.astype(np.uint64))
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
    at = np.empty(vertices.max() + 1, np.intp)  # a body that has this vertex
    for which in (flat, ~flat):
        at[vertices[which]] = body[which, None]
    ends = (np.repeat(body[flat], 3), at[vertices[flat]].reshape(-1))
    bodies = int(body.max()) + 1
    joined = coo_array((np.ones(len(ends[0]), np.int8), ends), shape=(bodies, bodies))
    return np.asarray(connected_components(joined, directed=False)[1])[body]


def _turns(faces: int, pairs: Ints) -> tuple[Ints, Bools]:
    """Tell the bodies apart, and say which faces to turn to agree with the first of their body."""
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
