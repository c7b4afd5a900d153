"""Compiled loops over triangles; each does what the numpy code of its stage does, in that order.

Sums and products are written as numpy does them, one rounding after the other, so that both ways
give the same bits. Corners are (3, 3, n): coordinate, corner, triangle, in the scan's own frame;
each is turned into the frame as it is met, so that no turned copy of all is kept.
"""

from heapq import heapify, heappop, heappush

import numpy as np

from volest.cavity import cells
from volest.cavity.frame import Bools, Floats, Ints
from volest.scan.compiling import compiled

ROUNDER = 6755399441055744.0  # 1.5 * 2^52: added and taken off, it leaves the nearest whole number
SPARE = 1e-6  # cells
ROUND = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
BLOCK = 256  # triangles at a time: what is worked out of them stays in the nearest cache
Point = tuple[float, float, float]
View = tuple[float, ...]  # of a frame: as Frame.view


@compiled
def turned(
    corners: Floats, begin: int, corner: int, view: View, x: Floats, y: Floats, z: Floats
) -> None:
    """Bring a corner of some triangles into the frame, as Frame.to_frame does.

    A loop that writes one corner is made by the compiler to take several triangles at once.
    """
    for m in range(len(x)):
        a = corners[0, corner, begin + m] - view[9]
        b = corners[1, corner, begin + m] - view[10]
        c = corners[2, corner, begin + m] - view[11]
        x[m] = view[0] * a + view[1] * b + view[2] * c
        y[m] = view[3] * a + view[4] * b + view[5] * c
        z[m] = view[6] * a + view[7] * b + view[8] * c


@compiled
def nearest(value: float) -> float:
    """Round to the nearest whole number, halves to even ones, as np.rint does."""
    return (value + ROUNDER) - ROUNDER


@compiled
def clipped_ceil(value: float, end: int) -> int:
    """Return the next whole number, kept within 0 and the end."""
    if value <= 0.0:
        return 0
    return end if value >= end else int(np.ceil(value))


@compiled
def raise_peaks(
    corners: Floats,
    view: View,
    grid: tuple[float, float, float],
    shape: tuple[int, int],
    near: Bools,
    over: float,
    peaks: Floats,
) -> None:
    """Raise each cell that is near to the highest corner in it.

    Corners that lie no higher than `over` are left out.
    """
    z = np.empty(BLOCK)
    for begin in range(0, corners.shape[2], BLOCK):
        size = min(BLOCK, corners.shape[2] - begin)
        for corner in range(3):
            for m in range(size):
                a = corners[0, corner, begin + m] - view[9]
                b = corners[1, corner, begin + m] - view[10]
                c = corners[2, corner, begin + m] - view[11]
                z[m] = view[6] * a + view[7] * b + view[8] * c
            for m in range(size):
                if not z[m] > over:
                    continue
                a = corners[0, corner, begin + m] - view[9]
                b = corners[1, corner, begin + m] - view[10]
                c = corners[2, corner, begin + m] - view[11]
                x = view[0] * a + view[1] * b + view[2] * c
                y = view[3] * a + view[4] * b + view[5] * c
                at = cell_of(x, y, grid, shape)
                if at >= 0 and near[at]:
                    peaks[at] = max(peaks[at], z[m])


@compiled
def met(row: int, low: Point, high: Point) -> tuple[float, float]:
    """Return u and z where a row meets an edge, from its lower end; corners are (v, u, z)."""
    along = (row - low[0]) / (high[0] - low[0])
    return low[1] + along * (high[1] - low[1]), low[2] + along * (high[2] - low[2])


@compiled
def cut(
    corners: Floats,
    first: int,
    last: int,
    backward: bool,
    view: View,
    grid: tuple[float, float, float],
    shape: tuple[int, int],
    out: tuple[Ints, Floats, Bools, Ints],
) -> int:
    """Cross the grid's columns with some triangles; `grid` is its low x and y and the pitch.

    Returns how many crossings there are; those that `out` has no room for are only counted.
    """
    cell, height, up, triangle = out
    count = 0
    u, v, z = np.empty((3, BLOCK)), np.empty((3, BLOCK)), np.empty((3, BLOCK))
    spans, may = np.empty((4, BLOCK)), np.empty(BLOCK, np.bool_)
    for begin in range(first, last, BLOCK):
        size = min(BLOCK, last - begin)
        for k in range(3):
            corner = 2 - k if backward else k
            turned(corners, begin, corner, view, u[k, :size], v[k, :size], z[k, :size])
            in_cells(u[k, :size], grid[0], grid[2])
            in_cells(v[k, :size], grid[1], grid[2])
        # Where a row meets an edge may be rounded past the edge's end, by much less than this.
        span(u[0], u[1], u[2], SPARE, spans[0], spans[1])
        span(v[0], v[1], v[2], 0.0, spans[2], spans[3])
        hit(u, v, spans, may)
        for m in range(size):
            if not may[m]:
                continue
            a, b, c = (
                (v[0, m], u[0, m], z[0, m]),
                (v[1, m], u[1, m], z[1, m]),
                (v[2, m], u[2, m], z[2, m]),
            )
            even = True
            if b[0] < a[0]:
                a, b, even = b, a, not even
            if c[0] < b[0]:
                b, c, even = c, b, not even
            if b[0] < a[0]:
                a, b, even = b, a, not even
            end = clipped_ceil(spans[3, m], shape[0])
            for row in range(clipped_ceil(spans[2, m], shape[0]), end):
                u_long, z_long = met(row, a, c)
                u_short, z_short = met(row, a, b) if row < b[0] else met(row, b, c)
                start = clipped_ceil(min(u_long, u_short), shape[1])
                for i in range(start, clipped_ceil(max(u_long, u_short), shape[1])):
                    if count < len(cell):
                        along = (i - u_long) / (u_short - u_long)
                        cell[count] = row * shape[1] + i
                        height[count] = z_long + along * (z_short - z_long)
                        up[count] = (u_short > u_long) == even
                        triangle[count] = begin + m
                    count += 1
    return count


@compiled
def in_cells(along: Floats, low: float, pitch: float) -> None:
    """Count coordinates from the first cell's middle in cells."""
    for m in range(len(along)):
        along[m] = (along[m] - low) / pitch


@compiled
def span(a: Floats, b: Floats, c: Floats, spare: float, low: Floats, high: Floats) -> None:
    """Write the first whole number from the least of three on, and the first past the greatest."""
    for m in range(len(a)):
        less, more = (a[m], b[m]) if a[m] < b[m] else (b[m], a[m])
        low[m] = np.ceil((less if less < c[m] else c[m]) - spare)
        high[m] = np.ceil((more if more > c[m] else c[m]) + spare)


@compiled
def hit(u: Floats, v: Floats, spans: Floats, out: Bools) -> None:
    """Say which triangles, seen from above, may hold a column; clear misses of one are told."""
    for m in range(len(out)):
        columns, rows = spans[1, m] - spans[0, m], spans[3, m] - spans[2, m]
        a, b, c = u[0, m] - spans[0, m], u[1, m] - spans[0, m], u[2, m] - spans[0, m]
        d, e, f = v[0, m] - spans[2, m], v[1, m] - spans[2, m], v[2, m] - spans[2, m]
        one, two, three = a * e - b * d, b * f - c * e, c * d - a * f
        left = (one > SPARE) | (two > SPARE) | (three > SPARE)
        right = (one < -SPARE) | (two < -SPARE) | (three < -SPARE)
        out[m] = (columns * rows > 1.0) | ((columns * rows == 1.0) & ~(left & right))


@compiled
def sort_crossings(
    start: Ints,
    found: tuple[Ints, Floats, Bools, Ints],
    out: tuple[Ints, Floats, Bools, Ints],
) -> None:
    """Sort by cell, then height, then order; `start`, one longer than the grid, comes as zeros."""
    cells, heights = out[0], out[1]
    for m in range(len(found[0])):
        start[found[0][m] + 1] += 1
    for c in range(1, len(start)):
        start[c] += start[c - 1]
    held = np.zeros_like(start)
    for m in range(len(found[0])):
        cell, height = found[0][m], found[1][m]
        free = at = start[cell] + held[cell]
        held[cell] += 1
        while at > start[cell] and heights[at - 1] > height:
            heights[at], out[2][at], out[3][at] = heights[at - 1], out[2][at - 1], out[3][at - 1]
            at -= 1
        cells[free] = cell
        heights[at], out[2][at], out[3][at] = height, found[2][m], found[3][m]


@compiled
def depth_sums(
    corners: Floats,
    first: int,
    last: int,
    backward: bool,
    view: View,
    plane: Point,
    grid: tuple[float, float, float],
    shape: tuple[int, int],
    bounds: tuple[Floats, Floats, Floats],
    cosine: float,
    out: Floats,
) -> int:
    """Write the prisms in mm3 of those of some triangles that bound the cavity; return how many.

    `grid` is the low x and y and the pitch; `bounds` are the lowest and highest height at which
    surface in a cell bounds the cavity, and the height from which it is a flat rim.
    """
    count = 0
    low, high, land = bounds
    # Of the corners, and of their middle.
    x, y, h = np.empty((4, BLOCK)), np.empty((4, BLOCK)), np.empty((4, BLOCK))
    cells, below = np.empty(BLOCK, np.int64), np.empty(BLOCK, np.int64)
    for begin in range(first, last, BLOCK):
        size = min(BLOCK, last - begin)
        for k in range(3):
            corner = 2 - k if backward else k
            turned(corners, begin, corner, view, x[k, :size], y[k, :size], h[k, :size])
            over_plane(plane, x[k], y[k], h[k])
        for along in (x, y, h):
            middles(along[0], along[1], along[2], along[3])
        for m in range(size):
            below[m] = (h[0, m] < 0.0) + (h[1, m] < 0.0) + (h[2, m] < 0.0)
            cells[m] = cell_of(x[3, m], y[3, m], grid, shape)
        for m in range(size):
            if below[m] == 0:
                continue
            a = (x[0, m], y[0, m], h[0, m])
            b = (x[1, m], y[1, m], h[1, m])
            c = (x[2, m], y[2, m], h[2, m])
            depth, at, at_h = -h[3, m], cells[m], h[3, m]
            if below[m] != 3:  # noqa: PLR2004  # all corners
                depth, at_x, at_y, at_h = part_below(a, b, c)
                at = cell_of(at_x, at_y, grid, shape)
            if at < 0 or not (at_h >= low[at] and at_h <= high[at]):
                continue
            twice = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
            if at_h > land[at] and twice > cosine * twice_area((a, b, c)):
                continue
            out[count] = 0.5 * twice * depth
            count += 1
    return count


@compiled
def cell_of(x: float, y: float, grid: tuple[float, float, float], shape: tuple[int, int]) -> int:
    """Give the flat number of the cell that holds a place, -1 outside, as Grid.cells_of does."""
    i, j = nearest((x - grid[0]) / grid[2]), nearest((y - grid[1]) / grid[2])
    inside = (i >= 0) & (j >= 0) & (i < shape[1]) & (j < shape[0])
    return int(j * shape[1] + i) if inside else -1


@compiled
def over_plane(plane: Point, x: Floats, y: Floats, z: Floats) -> None:
    """Make heights those over a plane."""
    for m in range(len(x)):
        z[m] = z[m] - (plane[0] * x[m] + plane[1] * y[m] + plane[2])


@compiled
def middles(a: Floats, b: Floats, c: Floats, out: Floats) -> None:
    """Write the means of three."""
    for m in range(len(a)):
        out[m] = (a[m] + b[m] + c[m]) / 3.0


@compiled
def twice_area(corners: tuple[Point, Point, Point]) -> float:
    """Return twice the area of a triangle."""
    a, b, c = corners
    ax, ay, az = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    bx, by, bz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    i, j, k = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    return float(np.sqrt(i * i + j * j + k * k))


@compiled
def part_below(a: Point, b: Point, c: Point) -> tuple[float, float, float, float]:
    """Return the mean depth of the part below zero, over the whole area, and the part's centre.

    One corner or two lie below.
    """
    depth = -((a[2] + b[2] + c[2]) / 3.0)
    x, y, h = (a[0] + b[0] + c[0]) / 3.0, (a[1] + b[1] + c[1]) / 3.0, (a[2] + b[2] + c[2]) / 3.0
    below = (a[2] < 0.0) + (b[2] < 0.0) + (c[2] < 0.0)
    sign = 1.0 if below == 1 else -1.0  # the lone corner is the one below, or the one above
    if sign * b[2] < sign * a[2] and sign * b[2] <= sign * c[2]:
        a, b, c = b, c, a
    elif sign * c[2] < sign * a[2] and sign * c[2] < sign * b[2]:
        a, b, c = c, a, b
    s, t = a[2] / (a[2] - b[2]), a[2] / (a[2] - c[2])
    share, lone_depth = s * t, -a[2] / 3.0
    lone_x = a[0] + (s * (b[0] - a[0]) + t * (c[0] - a[0])) / 3.0
    lone_y = a[1] + (s * (b[1] - a[1]) + t * (c[1] - a[1])) / 3.0
    lone_h = a[2] + (s * (b[2] - a[2]) + t * (c[2] - a[2])) / 3.0
    lone_part = share * lone_depth
    if below == 1:
        return lone_part, lone_x, lone_y, lone_h
    rest = max(1.0 - share, 1e-12)
    return (
        depth - lone_part,
        (x - share * lone_x) / rest,
        (y - share * lone_y) / rest,
        (h - share * lone_h) / rest,
    )


@compiled
def twice_areas_summed(corners: Floats, upto: Floats) -> Point:
    """Fill in the running sum of twice the areas, (n,), and return the sum of the normals."""
    area = nx = ny = nz = 0.0
    i, j, k = np.empty(BLOCK), np.empty(BLOCK), np.empty(BLOCK)
    for begin in range(0, len(upto), BLOCK):
        size = min(BLOCK, len(upto) - begin)
        normals(corners, begin, i[:size], j[:size], k[:size])
        for m in range(size):
            area += np.sqrt(i[m] * i[m] + j[m] * j[m] + k[m] * k[m])
            upto[begin + m] = area
            nx += i[m]
            ny += j[m]
            nz += k[m]
    return nx, ny, nz


@compiled
def normals(corners: Floats, begin: int, i: Floats, j: Floats, k: Floats) -> None:
    """Write the normals of some triangles, as long as twice their areas."""
    for m in range(len(i)):
        t = begin + m
        x, y, z = corners[0, 0, t], corners[1, 0, t], corners[2, 0, t]
        ax, ay, az = corners[0, 1, t] - x, corners[1, 1, t] - y, corners[2, 1, t] - z
        bx, by, bz = corners[0, 2, t] - x, corners[1, 2, t] - y, corners[2, 2, t] - z
        i[m], j[m], k[m] = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx


@compiled
def tops_of_points(
    points: Floats, grid: tuple[float, float, float], shape: tuple[int, int], top: Floats
) -> None:
    """Raise each cell to the highest point in it."""
    for m in range(points.shape[1]):
        at = cell_of(points[0, m], points[1, m], grid, shape)
        if at >= 0:
            top[at] = max(top[at], points[2, m])


@compiled
def beside_other(mask: Bools, j: int, i: int) -> bool:
    """Whether a cell of the mask has a neighbour that is not of it."""
    rows, width = mask.shape
    for dj, di in ROUND:
        if 0 <= j + dj < rows and 0 <= i + di < width and not mask[j + dj, i + di]:
            return True
    return False


@compiled
def pair_rooms(cell: Ints, floor: Floats, top: Floats, width: int, pairs: Ints) -> int:
    """Write pairs of stretches that meet, and return their number; too many are only counted.

    They are sorted by cell. Two meet if their cells are neighbours and their heights overlap.
    """
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


@compiled
def flooded(floor: Floats, seed: Bools, level: Floats) -> None:
    """Write the level at which water from the seeds stands in or reaches each cell.

    Cells are taken lowest first from a heap; what lies under the water's level follows at once
    (Barnes, Lehman and Mulla 2014, 'Priority-flood'; from memory). Eight neighbours.
    """
    rows, width = floor.shape
    queue = np.empty(floor.size, np.int64)
    heap = [(0.0, 0) for _ in range(0)]
    for j in range(rows):
        for i in range(width):
            if seed[j, i]:
                level[j, i] = floor[j, i]
                if beside_other(seed, j, i):
                    heap.append((floor[j, i], j * width + i))
    heapify(heap)
    while len(heap) > 0:
        queue[0] = heappop(heap)[1]
        waiting = 1
        while waiting > 0:
            waiting -= 1
            j, i = divmod(queue[waiting], width)
            water = level[j, i]
            for dj, di in ROUND:
                y, x = j + dj, i + di
                if not (0 <= y < rows and 0 <= x < width) or level[y, x] < np.inf:
                    continue
                level[y, x] = max(floor[y, x], water)
                if floor[y, x] <= water:
                    queue[waiting] = y * width + x
                    waiting += 1
                else:
                    heappush(heap, (floor[y, x], y * width + x))


apportioned = compiled(cells.apportioned)
