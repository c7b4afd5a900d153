"""Compiled loops over triangles; each does what the numpy code of its stage does, in that order.

Sums and products are written as numpy does them, one rounding after the other, so that both ways
give the same bits. Triangles are (n, 3, 3): triangle, corner, coordinate, in the scan's own frame;
each is turned into the frame as it is met, so that no turned copy of all is kept.
"""

import numpy as np

from volest.cavity.frame import Bools, Floats, Ints
from volest.scan.compiling import compiled

ROUNDER = 6755399441055744.0  # 1.5 * 2^52: added and taken off, it leaves the nearest whole number
SPARE = 1e-6  # cells
Point = tuple[float, float, float]
View = tuple[float, ...]  # of a frame: as Frame.view


@compiled
def in_frame(triangles: Floats, t: int, corner: int, view: View) -> Point:
    """Bring a corner into the frame, as Frame.to_frame does."""
    x = triangles[t, corner, 0] - view[9]
    y = triangles[t, corner, 1] - view[10]
    z = triangles[t, corner, 2] - view[11]
    return (
        view[0] * x + view[1] * y + view[2] * z,
        view[3] * x + view[4] * y + view[5] * z,
        view[6] * x + view[7] * y + view[8] * z,
    )


@compiled
def across(triangles: Floats, t: int, corner: int, view: View, axis: int) -> float:
    """Return one coordinate of a corner in the frame."""
    x = triangles[t, corner, 0] - view[9]
    y = triangles[t, corner, 1] - view[10]
    z = triangles[t, corner, 2] - view[11]
    return float(view[axis] * x + view[axis + 1] * y + view[axis + 2] * z)


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
    triangles: Floats,
    view: View,
    grid: tuple[float, float, float],
    near: Bools,
    over: float,
    peaks: Floats,
) -> None:
    """Raise each cell that is near to the highest corner in it; `near` has a margin of one cell.

    Corners that lie no higher than `over` are left out.
    """
    per_mm = 1.0 / grid[2]
    for t in range(len(triangles)):
        for corner in range(3):
            x = triangles[t, corner, 0] - view[9]
            y = triangles[t, corner, 1] - view[10]
            z = triangles[t, corner, 2] - view[11]
            height = view[6] * x + view[7] * y + view[8] * z
            if not height > over:
                continue
            u = view[0] * x + view[1] * y + view[2] * z - grid[0]
            v = view[3] * x + view[4] * y + view[5] * z - grid[1]
            # One cell too low or high by rounding does no harm here: the margin has it.
            i, j = nearest(u * per_mm), nearest(v * per_mm)
            if not (i >= 0 and j >= 0 and i < near.shape[1] and j < near.shape[0]):
                continue
            if near[int(j), int(i)]:
                at = (int(nearest(v / grid[2])), int(nearest(u / grid[2])))
                if at[0] >= 0 and at[1] >= 0 and at[0] < near.shape[0] and at[1] < near.shape[1]:
                    peaks[at] = max(peaks[at], height)


@compiled
def met(row: int, low: Point, high: Point) -> tuple[float, float]:
    """Return u and z where a row meets an edge, from its lower end; corners are (v, u, z)."""
    along = (row - low[0]) / (high[0] - low[0])
    return low[1] + along * (high[1] - low[1]), low[2] + along * (high[2] - low[2])


@compiled
def cut(
    triangles: Floats,
    number: int,
    backward: bool,
    view: View,
    grid: tuple[float, float, float],
    shape: tuple[int, int],
    out: tuple[Ints, Floats, Bools, Ints],
) -> int:
    """Cross the grid's columns with the triangles; `grid` is its low x and y and the pitch.

    The first triangle has the number given. Returns how many crossings there are; those that `out`
    has no room for are only counted.
    """
    count = 0
    first, last = (2, 0) if backward else (0, 2)
    for t in range(len(triangles)):
        v0 = (across(triangles, t, first, view, 3) - grid[1]) / grid[2]
        v1 = (across(triangles, t, 1, view, 3) - grid[1]) / grid[2]
        v2 = (across(triangles, t, last, view, 3) - grid[1]) / grid[2]
        begin = clipped_ceil(least(least(v0, v1), v2), shape[0])
        end = clipped_ceil(-least(least(-v0, -v1), -v2), shape[0])
        if begin == end:
            continue
        u0, z0 = beside(triangles, t, first, view, grid)
        u1, z1 = beside(triangles, t, 1, view, grid)
        u2, z2 = beside(triangles, t, last, view, grid)
        # Where a row meets an edge may be rounded past the edge's end, by much less than this.
        low, high = least(least(u0, u1), u2) - SPARE, -least(least(-u0, -u1), -u2) + SPARE
        if np.ceil(low) < np.ceil(high):
            corners = (v0, u0, z0), (v1, u1, z1), (v2, u2, z2)
            count = cross_rows(corners, (begin, end), shape[1], number + t, out, count)
    return count


@compiled
def least(a: float, b: float) -> float:
    """Return the lesser of two numbers."""
    return min(b, a)


@compiled
def beside(
    triangles: Floats, t: int, corner: int, view: View, grid: tuple[float, float, float]
) -> tuple[float, float]:
    """Return u and z of a corner."""
    x = across(triangles, t, corner, view, 0)
    return (x - grid[0]) / grid[2], across(triangles, t, corner, view, 6)


@compiled
def cross_rows(
    corners: tuple[Point, Point, Point],
    rows: tuple[int, int],
    width: int,
    number: int,
    out: tuple[Ints, Floats, Bools, Ints],
    count: int,
) -> int:
    """Cut one triangle into rows and those into cells; corners are (v, u, z)."""
    cell, height, up, triangle = out
    a, b, c = corners
    even = True
    if b[0] < a[0]:
        a, b, even = b, a, not even
    if c[0] < b[0]:
        b, c, even = c, b, not even
    if b[0] < a[0]:
        a, b, even = b, a, not even
    for row in range(rows[0], rows[1]):
        u_long, z_long = met(row, a, c)
        u_short, z_short = met(row, a, b) if row < b[0] else met(row, b, c)
        faces_up = (u_short > u_long) == even
        begin = clipped_ceil(min(u_long, u_short), width)
        for i in range(begin, clipped_ceil(max(u_long, u_short), width)):
            if count < len(cell):
                along = (i - u_long) / (u_short - u_long)
                cell[count] = row * width + i
                height[count] = z_long + along * (z_short - z_long)
                up[count], triangle[count] = faces_up, number
            count += 1
    return count


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
    triangles: Floats,
    backward: bool,
    view: View,
    plane: Point,
    grid: tuple[float, float, float],
    bounds: tuple[Floats, Floats, Floats],
    cosine: float,
    out: Floats,
) -> int:
    """Write the prism of each triangle that bounds the cavity, in mm3; return their number.

    `grid` is the low x and y and the pitch; `bounds` are the lowest and highest height at which
    surface in a cell bounds the cavity, and the height from which it is a flat rim.
    """
    count = 0
    first, last = (2, 0) if backward else (0, 2)
    for t in range(len(triangles)):
        x0, y0, z = in_frame(triangles, t, first, view)
        h0 = z - (plane[0] * x0 + plane[1] * y0 + plane[2])
        x1, y1, z = in_frame(triangles, t, 1, view)
        h1 = z - (plane[0] * x1 + plane[1] * y1 + plane[2])
        x2, y2, z = in_frame(triangles, t, last, view)
        h2 = z - (plane[0] * x2 + plane[1] * y2 + plane[2])
        if not min(h0, h1, h2) < 0.0:
            continue
        if max(h0, h1, h2) < 0.0:
            depth = -((h0 + h1 + h2) / 3.0)
            x, y, h = (x0 + x1 + x2) / 3.0, (y0 + y1 + y2) / 3.0, -depth
        else:
            depth, x, y, h = part_below((x0, y0, h0), (x1, y1, h1), (x2, y2, h2))
        i, j = nearest((x - grid[0]) / grid[2]), nearest((y - grid[1]) / grid[2])
        if not (i >= 0 and j >= 0 and i < bounds[0].shape[1] and j < bounds[0].shape[0]):
            continue
        at = (int(j), int(i))
        if not (h >= bounds[0][at] and h <= bounds[1][at]):
            continue
        twice = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        whole = (x0, y0, h0), (x1, y1, h1), (x2, y2, h2)
        if h > bounds[2][at] and twice > cosine * twice_area(whole):
            continue
        out[count] = 0.5 * twice * depth
        count += 1
    return count


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
def twice_areas_summed(triangles: Floats, upto: Floats) -> Point:
    """Fill in the running sum of twice the areas, (n,), and return the sum of the normals."""
    area = nx = ny = nz = 0.0
    for t in range(len(triangles)):
        x, y, z = triangles[t, 0, 0], triangles[t, 0, 1], triangles[t, 0, 2]
        ax, ay, az = triangles[t, 1, 0] - x, triangles[t, 1, 1] - y, triangles[t, 1, 2] - z
        bx, by, bz = triangles[t, 2, 0] - x, triangles[t, 2, 1] - y, triangles[t, 2, 2] - z
        i, j, k = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        area += np.sqrt(i * i + j * j + k * k)
        upto[t] = area
        nx += i
        ny += j
        nz += k
    return nx, ny, nz


@compiled
def points_turned(points: Floats, view: View, out: Floats) -> None:
    """Bring points (3, m) into the frame, as Frame.to_frame does."""
    for m in range(points.shape[1]):
        x, y, z = points[0, m] - view[9], points[1, m] - view[10], points[2, m] - view[11]
        out[0, m] = view[0] * x + view[1] * y + view[2] * z
        out[1, m] = view[3] * x + view[4] * y + view[5] * z
        out[2, m] = view[6] * x + view[7] * y + view[8] * z


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


@compiled
def flooded(
    floor: Floats, seed: Bools, level: Floats, keys: Floats, cells: Ints, queue: Ints
) -> None:
    """Write the level at which water from the seeds stands in or reaches each cell.

    Cells are taken lowest first from a heap; what lies under the water's level follows at once
    (Barnes, Lehman and Mulla 2014, 'Priority-flood'; from memory). Eight neighbours.
    """
    rows, width = floor.shape
    held = 0
    for j in range(rows):
        for i in range(width):
            if seed[j, i]:
                level[j, i] = floor[j, i]
                if beside_other(seed, j, i):
                    held = push(keys, cells, held, floor[j, i], j * width + i)
    while held > 0:
        cell, held = cells[0], pop(keys, cells, held)
        queue[0] = cell
        waiting = 1
        while waiting > 0:
            waiting -= 1
            j, i = divmod(queue[waiting], width)
            water = level[j, i]
            for dj, di in ROUND:
                y, x = j + dj, i + di
                if not (0 <= y < rows and 0 <= x < width) or level[y, x] < np.inf:
                    continue
                if floor[y, x] <= water:
                    level[y, x] = water
                    queue[waiting] = y * width + x
                    waiting += 1
                else:
                    level[y, x] = floor[y, x]
                    held = push(keys, cells, held, floor[y, x], y * width + x)


@compiled
def push(keys: Floats, cells: Ints, held: int, key: float, cell: int) -> int:
    """Put a cell into a heap, the lowest key first."""
    at = held
    while at > 0:
        above = (at - 1) >> 1
        if keys[above] <= key:
            break
        keys[at], cells[at] = keys[above], cells[above]
        at = above
    keys[at], cells[at] = key, cell
    return held + 1


@compiled
def pop(keys: Floats, cells: Ints, held: int) -> int:
    """Take the first cell off a heap."""
    held -= 1
    key, cell, at = keys[held], cells[held], 0
    while 2 * at + 1 < held:
        below = 2 * at + 1
        if below + 1 < held and keys[below + 1] < keys[below]:
            below += 1
        if key <= keys[below]:
            break
        keys[at], cells[at] = keys[below], cells[below]
        at = below
    keys[at], cells[at] = key, cell
    return held


@compiled
def apportioned(
    image: Floats, labels: Ints, mask: Bools, keys: Floats, cells: Ints, ages: Ints
) -> None:
    """Grow labels over the mask, lowest cells first and the earlier first among equals.

    Four neighbours, in the order above, left, right, below (Vincent and Soille 1991, as
    scikit-image has it).
    """
    rows, width = image.shape
    held, age = 0, 0
    for j in range(rows):
        for i in range(width):
            if labels[j, i] and beside_bare(labels, mask, j, i):
                held = push_aged((keys, ages, cells), held, image[j, i], 0, j * width + i)
    while held > 0:
        cell, held = cells[0], pop_aged((keys, ages, cells), held)
        j, i = divmod(cell, width)
        for dj, di in SIDES:
            y, x = j + dj, i + di
            inside = 0 <= y < rows and 0 <= x < width
            if inside and mask[y, x] and labels[y, x] == 0:
                age += 1
                labels[y, x] = labels[j, i]
                held = push_aged((keys, ages, cells), held, image[y, x], age, y * width + x)


@compiled
def beside_bare(labels: Ints, mask: Bools, j: int, i: int) -> bool:
    """Whether a cell has a neighbour that a label can grow into."""
    rows, width = labels.shape
    for dj, di in SIDES:
        y, x = j + dj, i + di
        if 0 <= y < rows and 0 <= x < width and mask[y, x] and labels[y, x] == 0:
            return True
    return False


@compiled
def push_aged(heap: tuple[Floats, Ints, Ints], held: int, key: float, age: int, cell: int) -> int:
    """Put a cell into a heap, the lowest key first, and the lowest age among equal keys."""
    keys, ages, cells = heap
    at = held
    while at > 0:
        above = (at - 1) >> 1
        if keys[above] < key or (keys[above] == key and ages[above] <= age):
            break
        keys[at], ages[at], cells[at] = keys[above], ages[above], cells[above]
        at = above
    keys[at], ages[at], cells[at] = key, age, cell
    return held + 1


@compiled
def pop_aged(heap: tuple[Floats, Ints, Ints], held: int) -> int:
    """Take the first cell off such a heap."""
    keys, ages, cells = heap
    held -= 1
    key, age, cell, at = keys[held], ages[held], cells[held], 0
    while 2 * at + 1 < held:
        low = 2 * at + 1
        right = low + 1
        if right < held and (
            keys[right] < keys[low] or (keys[right] == keys[low] and ages[right] < ages[low])
        ):
            low = right
        if key < keys[low] or (key == keys[low] and age <= ages[low]):
            break
        keys[at], ages[at], cells[at] = keys[low], ages[low], cells[low]
        at = low
    keys[at], ages[at], cells[at] = key, age, cell
    return held
