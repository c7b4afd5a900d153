"""Winding: all faces of a body turned to the same side, each face once.

Called only where the winding is in doubt: it costs more than the reading itself.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from volest.scan.checks import areas_mm2

# Odd factors spread the bits of three numbers over one of 64; which ones does not matter, since
# rows that share a mixed number are compared bit by bit.
MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
NUMBER_BITS = 64
HALF = np.uint64(NUMBER_BITS // 2)
PAIR = 2  # faces an edge: with one it is a border, with three or more it tells nothing
# Of the farthest coordinate: a corner put amid a side lies off it by its rounding, as float32
# (6e-8) or as text of six figures (5e-6).
ROUNDED = 1e-5
MOST_BESIDE = 32  # lone sides at one corner that are compared; a torn surface has some ten


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MendedWinding:
    """Triangles with their winding put right.

    Parameters
    ----------
    triangles : ndarray of float64, shape (m, 3, 3)
        Corners in mm, read-only, in the order of the input.
    body : ndarray of int, shape (m,)
        Number, from 0, of the body that each face belongs to, joined by edges.
    removed_duplicates : int
        Faces that stood there before, in either winding, and were left out.
    torn_edges : int
        Edges of two faces that still disagree: the surface is one-sided there.
    """

    triangles: NDArray[np.float64]
    body: NDArray[np.intp]
    turned: int
    removed_duplicates: int
    torn_edges: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pairs:
    """Faces that share an edge no third face has; `against` where their windings disagree."""

    left: NDArray[np.intp]  # (e,)
    right: NDArray[np.intp]
    against: NDArray[np.bool_]


def mend_winding(triangles: NDArray[np.float64]) -> MendedWinding:
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
    removed = len(triangles) - len(keep)
    triangles, vertices, areas, flat = triangles[keep], vertices[keep], areas[keep], flat[keep]
    pairs = _pairs(triangles, vertices, flat, near_mm)
    body, turn = _turns(len(triangles), pairs)
    balance = np.bincount(body, weights=np.where(turn, -areas, areas))
    turn ^= (balance < 0)[body]  # where the larger area would be turned, all the others are
    triangles[turn, 1], triangles[turn, 2] = triangles[turn, 2], triangles[turn, 1]
    triangles.flags.writeable = False
    return MendedWinding(
        triangles=triangles,
        body=_joined_by_flat(body, vertices, flat),
        turned=int(turn.sum()),
        removed_duplicates=removed,
        torn_edges=int((turn[pairs.left] ^ turn[pairs.right] ^ pairs.against).sum()),
    )


def same_corners(triangles: NDArray[np.float64]) -> NDArray[np.intp]:
    """Give corners of triangles, (n, 3, 3), numbers from 0, (n, 3): one for the same place."""
    points = triangles.reshape(-1, 3) + 0.0  # copied, -0.0 made 0.0
    return _counted(_same_rows(points)).reshape(-1, 3)


def _order(keys: NDArray[np.uint64], bits: int) -> NDArray[np.intp]:
    """Sort keys of so many bits, stably: by one plain sort if key and place fit one number."""
    place_bits = max(len(keys) - 1, 1).bit_length()
    if bits + place_bits > NUMBER_BITS:
        return np.argsort(keys, kind="stable")
    packed = np.sort((keys << np.uint64(place_bits)) | np.arange(len(keys), dtype=np.uint64))
    return (packed & np.uint64((1 << place_bits) - 1)).astype(np.intp)


def _same_rows(rows: NDArray[np.float64]) -> NDArray[np.intp]:
    """Give each row (m, 3) a number: that of the place where its like first stands."""
    columns = np.ascontiguousarray(rows.T).view(np.uint64)  # (3, m)
    mixed = np.zeros(len(rows), np.uint64)
    for column, factor in zip(columns, MIXERS, strict=True):
        # Numbers that were float32 end in 29 zero bits: fold them before they are multiplied.
        mixed = (mixed ^ column ^ (column >> HALF)) * factor
        mixed ^= mixed >> HALF
    place_bits = max(len(rows) - 1, 1).bit_length()
    mixed >>= np.uint64(place_bits)
    order = _order(mixed, NUMBER_BITS - place_bits)
    differ = _steps(columns, order)
    if (differ & ~_steps(mixed[None], order)).any():
        order = np.lexsort(columns)  # two different rows with one mixed number: sort in full
        differ = _steps(columns, order)
    heads = np.concatenate([[0], np.flatnonzero(differ) + 1])
    labels = np.empty(len(rows), np.intp)
    labels[order] = np.repeat(order[heads], np.diff(np.append(heads, len(rows))))
    return labels


def _steps(columns: NDArray[np.uint64], order: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Where a row differs from the one before it, in this order (m - 1,)."""
    differ = np.zeros(max(len(order) - 1, 0), np.bool_)
    for column in columns:
        ordered = column[order]
        differ |= ordered[1:] != ordered[:-1]
    return differ


def _counted(labels: NDArray[np.intp]) -> NDArray[np.intp]:
    """Turn labels that name the place of their first into numbers from 0 on, in the same order."""
    counted: NDArray[np.intp] = (np.cumsum(labels == np.arange(len(labels))) - 1)[labels]
    return counted


def _pairs(
    triangles: NDArray[np.float64],
    vertices: NDArray[np.intp],
    flat: NDArray[np.bool_],
    near_mm: float,
) -> _Pairs:
    """Pair neighbours: over edges and along sides, and flat faces with all over edges."""
    faces = np.flatnonzero(~flat)
    over, lone = _edge_pairs(vertices[faces])
    start, end = vertices[faces].reshape(-1), vertices[faces][:, [1, 2, 0]].reshape(-1)
    corners = triangles[faces].reshape(-1, 3)
    along = _along_pairs(lone, start[lone], end[lone], corners, near_mm)
    left = faces[np.append(over.left, along.left)]
    right = faces[np.append(over.right, along.right)]
    against = np.append(over.against, along.against)
    if flat.any():
        every, _ = _edge_pairs(vertices)
        of_flat = flat[every.left] | flat[every.right]
        left, right = np.append(left, every.left[of_flat]), np.append(right, every.right[of_flat])
        against = np.append(against, every.against[of_flat])
    return _Pairs(left=left, right=right, against=against)


def _edge_pairs(vertices: NDArray[np.intp]) -> tuple[_Pairs, NDArray[np.intp]]:
    """Pair faces, (n, 3), over edges that two have; give too the half-edges that only one has."""
    start = vertices.reshape(-1)  # (3 n,) half-edges, three a face
    end = vertices[:, [1, 2, 0]].reshape(-1)
    low, high = np.minimum(start, end), np.maximum(start, end)
    vertex_bits = int(high.max()).bit_length() if len(high) else 1
    keys = (low.astype(np.uint64) << np.uint64(vertex_bits)) | high.astype(np.uint64)
    order = _order(keys, 2 * vertex_bits)
    ordered = keys[order]
    heads = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))[: len(ordered)]
    count = np.diff(np.append(heads, len(ordered)))
    twos = heads[count == PAIR]
    one, other = order[twos], order[twos + 1]
    against = start[one] == start[other]
    left, right = one // 3, other // 3
    between = left != right  # a face with two equal corners meets itself
    pairs = _Pairs(left=left[between], right=right[between], against=against[between])
    return pairs, order[heads[count == 1]]


def _along_pairs(
    lone: NDArray[np.intp],
    start: NDArray[np.intp],
    end: NDArray[np.intp],
    corners: NDArray[np.float64],
    near_mm: float,
) -> _Pairs:
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
    first, second = [], []
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
        meet = (reach > near_mm) & (off_mm < near_mm)
        first.append(here[meet])
        second.append(there[meet])
    one, other = np.concatenate(first), np.concatenate(second)
    mates = np.bincount(np.append(one, other), minlength=len(vertex))
    two = (mates[one] == 1) & (mates[other] == 1)  # as over an edge, three tell nothing
    one, other = one[two], other[two]
    return _Pairs(
        left=place[one] // 3, right=place[other] // 3, against=leaves[one] == leaves[other]
    )


def _joined_by_flat(
    body: NDArray[np.intp], vertices: NDArray[np.intp], flat: NDArray[np.bool_]
) -> NDArray[np.intp]:
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


def _turns(faces: int, pairs: _Pairs) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Tell the bodies apart, and say which faces to turn to agree with the first of their body."""
    ones = np.ones(2 * len(pairs.left), np.int8)
    both = (np.append(pairs.left, pairs.right), np.append(pairs.right, pairs.left))
    joined = coo_array((ones, both), shape=(faces, faces)).tocsr()
    bodies, body = connected_components(joined, directed=True, connection="weak")
    # A root joined to the first face of each body makes one tree of all bodies.
    first = np.full(bodies, faces)
    np.minimum.at(first, body, np.arange(faces))
    rooted = coo_array(
        (
            np.ones(len(ones) + bodies, np.int8),
            (np.append(both[0], np.full(bodies, faces)), np.append(both[1], first)),
        ),
        shape=(faces + 1, faces + 1),
    ).tocsr()
    parents = breadth_first_order(rooted, faces, directed=True)[1].astype(np.intp)
    parents[faces] = faces
    turn = np.zeros(faces + 1, np.bool_)
    for one, other in ((pairs.left, pairs.right), (pairs.right, pairs.left)):
        of_tree = parents[one] == other
        turn[one[of_tree]] = pairs.against[of_tree]
    # The turns from each face up to the root are summed, twice as far in each round.
    while (parents != parents[parents]).any():
        turn = turn ^ turn[parents]
        parents = parents[parents]
    return body, turn[:faces]
