"""Patches with which a scanner's program closes what was not seen: flat, long or remeshed."""

import numpy as np
from numba import njit

from tests.corpus.blend import Array
from tests.corpus.mesh import Faces, Mesh, averaging, border

ROUNDS = 8  # halvings at most: edges that flips make long again could be split for ever
PATCH_EDGE_MM = 0.9  # edges of a remeshed patch are shorter, but for those on its border
RELAXED = 12  # how often the corners of a remeshed patch move to the mean of their neighbours


def open_loops(faces: Faces) -> list[Faces]:
    """Give the open borders, each as corners in the order in which the faces run along it.

    No corner may be shared by two fans of faces; `tests.corpus.sight.fans` parts them.
    """
    ends = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    count = int(faces.max()) + 1
    forth, back = ends[:, 0] * count + ends[:, 1], ends[:, 1] * count + ends[:, 0]
    follow = dict(ends[~np.isin(forth, back)].tolist())
    loops = []
    while follow:
        start, here = follow.popitem()
        loop = [start]
        while here != start:
            loop.append(here)
            here = follow.pop(here)
        loops.append(np.array(loop))
    return loops


@njit(cache=True)
def _cheapest(points: Array) -> Faces:
    """Give for each chord of a polygon the corner of the triangle that stands on it, (n, n).

    The triangulation of least area (Klincsek 1980), by growing chords.
    """
    n = len(points)
    cost = np.zeros((n, n))
    corner = np.zeros((n, n), dtype=np.int64)
    for span in range(2, n):
        for i in range(n - span):
            j = i + span
            best = np.inf
            for k in range(i + 1, j):
                one, two = points[k] - points[i], points[j] - points[i]
                x = one[1] * two[2] - one[2] * two[1]
                y = one[2] * two[0] - one[0] * two[2]
                z = one[0] * two[1] - one[1] * two[0]
                area = cost[i, k] + cost[k, j] + 0.5 * np.sqrt(x * x + y * y + z * z)
                if area < best:
                    best = area
                    corner[i, j] = k
            cost[i, j] = best
    return corner


def least_area(points: Array) -> Faces:
    """Triangulate a polygon of space with the least area and no corner inside, (n - 2, 3)."""
    corner = _cheapest(points)
    faces, todo = [], [(0, len(points) - 1)]
    while todo:
        i, j = todo.pop()
        if j > i + 1:
            k = int(corner[i, j])
            faces.append((i, k, j))
            todo += [(i, k), (k, j)]
    return np.array(faces, dtype=np.int64)


def remeshed(patch: Mesh) -> Mesh:
    """Split a patch's long inner edges, turn edges as Delaunay would, and let the corners relax."""
    points, faces = [tuple(p) for p in patch.vertices.tolist()], patch.faces.tolist()
    for _ in range(ROUNDS):
        if not _split(points, faces):
            break
        for _ in range(4):
            if not _flipped(np.array(points), faces):
                break
    mesh = Mesh(vertices=np.array(points), faces=np.array(faces, dtype=np.int64))
    average, held = averaging(mesh), border(mesh)[:, None]
    vertices = mesh.vertices
    for _ in range(RELAXED):
        vertices = np.where(held, vertices, average @ vertices)
    return Mesh(vertices=vertices, faces=mesh.faces)


def _inner_edges(faces: list[list[int]]) -> dict[tuple[int, int], tuple[int, int]]:
    """Give the faces on both sides of each inner edge."""
    owner = {(f[k], f[(k + 1) % 3]): n for n, f in enumerate(faces) for k in range(3)}
    return {(a, b): (n, owner[b, a]) for (a, b), n in owner.items() if a < b and (b, a) in owner}


def _split(points: list[tuple[float, ...]], faces: list[list[int]]) -> bool:
    """Halve long inner edges, the longest first, one a face; tell whether there were any."""
    edges, spots = _inner_edges(faces), np.array(points)
    length = {edge: np.linalg.norm(spots[edge[0]] - spots[edge[1]]) for edge in edges}
    used: set[int] = set()
    for edge in sorted(edges, key=lambda e: -length[e]):
        if length[edge] <= PATCH_EDGE_MM:
            break
        if used & set(edges[edge]):
            continue
        used |= set(edges[edge])
        points.append(tuple(0.5 * (spots[edge[0]] + spots[edge[1]])))
        for number in edges[edge]:
            a, b, c = _turned_to(faces[number], edge)
            faces[number] = [a, len(points) - 1, c]
            faces.append([len(points) - 1, b, c])
    return bool(used)


def _turned_to(face: list[int], edge: tuple[int, int]) -> list[int]:
    """Turn a face so that the edge comes first and the corner opposite last."""
    far = next(k for k in range(3) if face[k] not in edge)
    return [face[(far + 1) % 3], face[(far + 2) % 3], face[far]]


def _flipped(spots: Array, faces: list[list[int]]) -> bool:
    """Turn inner edges whose opposite angles exceed a straight angle; tell whether there were."""
    edges = _inner_edges(faces)
    taken = {frozenset((f[k], f[(k + 1) % 3])) for f in faces for k in range(3)}
    used: set[int] = set()
    for edge, sides in edges.items():
        if used & set(sides):
            continue
        a, b, c = _turned_to(faces[sides[0]], edge)
        d = _turned_to(faces[sides[1]], edge)[2]
        wide = _angle(spots, c, a, b) + _angle(spots, d, a, b) > np.pi + 1e-6
        if wide and frozenset((c, d)) not in taken:
            taken.add(frozenset((c, d)))
            faces[sides[0]], faces[sides[1]] = [c, a, d], [d, b, c]
            used |= set(sides)
    return bool(used)


def _angle(spots: Array, at: int, one: int, two: int) -> float:
    first, second = spots[one] - spots[at], spots[two] - spots[at]
    return float(np.arctan2(np.linalg.norm(np.cross(first, second)), first @ second))


def closed_up(mesh: Mesh, longest_mm: float, *, fine: bool) -> tuple[Mesh, int]:
    """Close open borders shorter than that; the patches' faces come last, and their number."""
    vertices, faces = [mesh.vertices], [mesh.faces]
    count = len(mesh.vertices)
    for loop in open_loops(mesh.faces):
        ring = mesh.vertices[loop]
        round_mm = np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum()
        if round_mm >= longest_mm or len(loop) < 3:
            continue
        back = loop[::-1]  # the patch runs along the border the other way
        patch = Mesh(vertices=ring[::-1], faces=least_area(ring[::-1]))
        if fine:
            patch = remeshed(patch)
        new = len(patch.vertices) - len(loop)
        names = np.concatenate([back, count + np.arange(new)])
        vertices.append(patch.vertices[len(loop) :])
        faces.append(names[patch.faces])
        count += new
    whole = Mesh(vertices=np.concatenate(vertices), faces=np.concatenate(faces))
    return whole, len(whole.faces) - len(mesh.faces)
