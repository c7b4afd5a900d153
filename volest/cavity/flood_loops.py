"""Compiled floods: water that wells up from seeds, and floods that meet.

Both take cells lowest first from a heap and give what scikit-image gives; only cells of exactly
equal height between two markers may go to the other one.
"""

import numpy as np

from volest.cavity.columns import Bools, Ints
from volest.cavity.frame import Floats
from volest.cavity.map_loops import ROUND, SIDES, beside_other
from volest.scan.compiling import compiled


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
