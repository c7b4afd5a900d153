"""Compiled loops over maps of cells: points seen from above, reaches, holes, and rooms.

Each gives the same bits as the code that its stage takes in numpy and scipy.
"""

import numpy as np

from volest.cavity.columns import Bools, Ints
from volest.cavity.frame import Floats
from volest.cavity.surface_loops import nearest
from volest.scan.compiling import compiled

SIDES = ((-1, 0), (0, -1), (0, 1), (1, 0))
ROUND = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


@compiled
def tops_of_points(points: Floats, grid: tuple[float, float, float], top: Floats) -> None:
    """Raise each cell to the highest point in it."""
    for m in range(points.shape[1]):
        i, j = (
            nearest((points[0, m] - grid[0]) / grid[2]),
            nearest((points[1, m] - grid[1]) / grid[2]),
        )
        if i >= 0 and j >= 0 and i < top.shape[1] and j < top.shape[0]:
            at = (int(j), int(i))
            top[at] = max(top[at], points[2, m])


@compiled
def within(mask: Bools, reach: float, out: Bools) -> None:
    """Mark the cells no farther than so many cells from one of the mask."""
    rows, width = mask.shape
    far = int(reach)
    for j in range(rows):
        for i in range(width):
            if not mask[j, i]:
                continue
            out[j, i] = True
            if not beside_other(mask, j, i):
                continue
            for dj in range(-far, far + 1):
                for di in range(-far, far + 1):
                    inside = 0 <= j + dj < rows and 0 <= i + di < width
                    if inside and np.sqrt(float(dj * dj + di * di)) <= reach:
                        out[j + dj, i + di] = True


@compiled
def beside_other(mask: Bools, j: int, i: int) -> bool:
    """Whether a cell of the mask has a neighbour that is not of it."""
    rows, width = mask.shape
    for dj, di in ROUND:
        if 0 <= j + dj < rows and 0 <= i + di < width and not mask[j + dj, i + di]:
            return True
    return False


@compiled
def outside_of(solid: Bools, outside: Bools, stack: Ints) -> None:
    """Mark the cells that the map's border reaches by sides without crossing solid ones."""
    rows, width = solid.shape
    held = 0
    for j in range(rows):
        for i in range(width):
            at_border = j == 0 or i == 0 or j == rows - 1 or i == width - 1
            if at_border and not solid[j, i]:
                outside[j, i] = True
                stack[held] = j * width + i
                held += 1
    while held > 0:
        held -= 1
        j, i = divmod(stack[held], width)
        for dj, di in SIDES:
            y, x = j + dj, i + di
            if 0 <= y < rows and 0 <= x < width and not solid[y, x] and not outside[y, x]:
                outside[y, x] = True
                stack[held] = y * width + x
                held += 1


@compiled
def evened_out(heights: Floats, cells: Ints, turns: int) -> None:
    """Set cells to the mean of their four sides, all at once, so many times."""
    rows, width = heights.shape
    flat = heights.ravel()
    sides = np.empty((len(cells), 4), np.int64)
    for m in range(len(cells)):
        j, i = divmod(cells[m], width)
        sides[m, 0] = max(j - 1, 0) * width + i
        sides[m, 1] = j * width + max(i - 1, 0)
        sides[m, 2] = j * width + min(i + 1, width - 1)
        sides[m, 3] = min(j + 1, rows - 1) * width + i
    fresh = np.empty(len(cells))
    for _ in range(turns):
        for m in range(len(cells)):
            total = flat[sides[m, 0]] * 0.25 + flat[sides[m, 1]] * 0.25
            fresh[m] = total + flat[sides[m, 2]] * 0.25 + flat[sides[m, 3]] * 0.25
        for m in range(len(cells)):
            flat[cells[m]] = fresh[m]


@compiled
def join_rooms(cell: Ints, floor: Floats, top: Floats, width: int, name: Ints) -> None:
    """Give stretches that meet, or are joined by others that do, one name; `name` comes as 0, 1...

    Stretches are sorted by cell. Two meet if their cells are neighbours and their heights overlap.
    """
    for step in (1, width):
        first = 0
        for a in range(len(cell)):
            while first < len(cell) and cell[first] < cell[a] + step:
                first += 1
            b = first
            while b < len(cell) and cell[b] == cell[a] + step:
                if min(top[a], top[b]) > max(floor[a], floor[b]):
                    one, other = eldest(name, a), eldest(name, b)
                    name[max(one, other)] = min(one, other)
                b += 1
    for a in range(len(cell)):
        name[a] = name[name[a]]


@compiled
def eldest(name: Ints, a: int) -> int:
    """Follow names to the one that names itself, and shorten the way for the next."""
    while name[a] != a:
        name[a] = name[name[a]]
        a = name[a]
    return a


@compiled
def pair_rooms(cell: Ints, floor: Floats, top: Floats, width: int, pairs: Ints) -> int:
    """Write pairs of stretches that meet, and return their number; too many are only counted."""
    count = 0
    for step in (1, width):
        first = 0
        for a in range(len(cell)):
            while first < len(cell) and cell[first] < cell[a] + step:
                first += 1
            b = first
            while b < len(cell) and cell[b] == cell[a] + step:
                if min(top[a], top[b]) > max(floor[a], floor[b]):
                    if count < pairs.shape[1]:
                        pairs[0, count], pairs[1, count] = a, b
                    count += 1
                b += 1
    return count
