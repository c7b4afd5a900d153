"""How stone runs from one end of the row: when it first reaches each imprint, and what air stays.

Stone is taken to rise like water and air to leave by any way up: see docs/explanation/guide.md for
how far that holds. Basins of the columns' stretches are joined in order of the passes between them
to a tree (Kruskal's spanning tree with what lies below each edge kept; from memory); a pour is a
walk in it: one side is filled to the pass before the other gets a drop.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.frame import Bools, Floats, Ints, plane_mm
from volest.cavity.imprints import Imprints
from volest.cavity.trim import Clock
from volest.cavity.void import ReachableVoid, best_passage_mm, neighbours

PIT_MM = 0.5  # a floor that lies so far under all its ways out: a cusp's tip; noise makes shallower
PIT_SHARE = 0.5  # of the greatest depth: what lies higher is palate and border, not imprint
TILT_DEG = 20.0  # about what a hand tilts a tray by on the vibrator; practice, no source
TILTS_DEG, TURNS = (10.0, 20.0, 30.0), 16  # in which air is looked for
LEAST_POCKET_MM = 0.1  # shallower pockets are noise of scan and grid
LEAST_AIR_ML = 0.02  # as in the notes: a bubble of 3.4 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """When stone comes to the deepest place of an imprint, of a pour from one end.

    Parameters
    ----------
    imprint : int or None
        Which of the parted imprints, from 1; None for a pit of a row that does not part.
    hour : int
        Where it lies.
    ml : float
        What is poured by then.
    level_mm : float
        Height of the stone by then, over the base line at the dial's middle.
    """

    imprint: int | None
    hour: int
    ml: float
    level_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """A pour from one end of the row.

    Parameters
    ----------
    hour : int
        The end at which stone is let in.
    tilt_deg : float
        How much lower that end is held; negative for higher, 0 for a level tray.
    reached : tuple of Reached
        In the order in which stone comes there.
    last_ml : float
        What is poured when it has come to the last of them.
    spills_ml : float
        After how much it runs over the rim, were that not boxed in; infinite if not before all
        are reached.
    """

    hour: int
    tilt_deg: float
    reached: tuple[Reached, ...]
    last_ml: float
    spills_ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """Air that stays at a tilt: by how much, which hour is held lower, how much air, and where."""

    tilt_deg: float
    low_hour: int
    trapped_ml: float
    hour: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """What is told of the pour.

    Parameters
    ----------
    pours : tuple of Pour
        From either end: level, and with that end lower and higher.
    level_air : Tilt
        What stays in a level tray.
    worst_air, best_air : Tilt or None
        The tilts that keep most and least of it; None where all keep next to none.
    """

    pours: tuple[Pour, ...]
    level_air: Tilt
    worst_air: Tilt | None
    best_air: Tilt | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """What stone can stand in, seen under a way up; levels are along it, in mm.

    Parameters
    ----------
    floor_mm, top_mm : ndarray
        (m,) levels; the top is infinite under the open sky.
    a, b : ndarray
        (p,) pairs that meet.
    ml_per_mm : float
        What one of them takes as the level rises.
    """

    floor_mm: Floats
    top_mm: Floats
    a: Ints
    b: Ints
    ml_per_mm: float


@dataclass(slots=True, kw_only=True, eq=False)
class Pools:
    """Basins and how they join: nodes 0 to n - 1 are basins, each later one joins two others.

    Parameters
    ----------
    basin : ndarray
        (m,) the basin that each stretch drains to.
    bottom : ndarray
        (n,) the lowest stretch of each basin.
    sides, gates : dict
        Of a later node: the two that it joins, and the basins on either side of the pass.
    parent, pass_mm, deep_mm : list
        Of each node: what it is joined into, the height of the pass, and its lowest floor.
    order, under, spans : ndarray and lists
        Basins so that those under a node stand together, where they stand, and their stretches.
    floor_mm, room_mm : ndarray
        (m,) of the stretches in that order.
    """

    of: Stretches
    basin: Ints
    bottom: Ints
    sides: dict[int, tuple[int, int]] = field(default_factory=dict)
    gates: dict[int, tuple[int, int]] = field(default_factory=dict)
    parent: list[int] = field(default_factory=list)
    pass_mm: list[float] = field(default_factory=list)
    deep_mm: list[float] = field(default_factory=list)
    order: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    under: list[tuple[int, int]] = field(default_factory=list)
    spans: list[tuple[int, int]] = field(default_factory=list)
    floor_mm: Floats = field(default_factory=lambda: np.empty(0))
    room_mm: Floats = field(default_factory=lambda: np.empty(0))

    def held_ml(self, node: int, level_mm: float) -> float:
        """Give what all that lies below a node holds up to a level."""
        first, last = self.spans[node]
        deep = np.clip(level_mm - self.floor_mm[first:last], 0.0, self.room_mm[first:last])
        return float(deep.sum()) * self.of.ml_per_mm

    def poured(self, start: int) -> tuple[Floats, Floats]:
        """Pour into a basin: what is poured, (n,), and the level, when each basin gets its first.

        Infinite where stone from there does not come.
        """
        ml, level = np.full((2, len(self.bottom)), np.inf)
        top = start
        while self.parent[top] >= 0:
            top = self.parent[top]
        todo = [(start, top, 0.0, float(self.of.floor_mm[self.bottom[start]]))]
        while todo:
            node, top, before_ml, at_mm = todo.pop()
            ml[node], level[node] = before_ml, at_mm
            while node != top:
                up = self.parent[node]
                left, right = self.sides[up]
                other = right if node == left else left
                gate = self.gates[up][1 if node == left else 0]
                upto_mm = self.pass_mm[up]
                held_ml = self.held_ml(node, upto_mm)
                todo.append((gate, other, before_ml + held_ml, max(at_mm, upto_mm)))
                node = up
        return ml, level

    def covered_ml(self, ml: Floats, stretch: int, level_mm: float) -> float:
        """Give what is poured when stone over a stretch stands at a level; `ml` is of basins."""
        node = int(self.basin[stretch])
        while self.parent[node] >= 0 and self.pass_mm[self.parent[node]] < level_mm:
            node = self.parent[node]
        first, last = self.under[node]
        return float(ml[self.order[first:last]].min()) + self.held_ml(node, level_mm)


def pools_of(stretches: Stretches) -> Pools:
    """Find basins, and join them from the lowest pass on."""
    floor = stretches.floor_mm
    order = np.lexsort((np.arange(len(floor)), floor))
    rank = np.empty_like(order)
    rank[order] = np.arange(len(floor))
    lowest = rank.copy()
    np.minimum.at(lowest, stretches.a, rank[stretches.b])
    np.minimum.at(lowest, stretches.b, rank[stretches.a])
    down = order[lowest]
    while not np.array_equal(down[down], down):
        down = down[down]
    bottom, basin = np.unique(down, return_inverse=True)
    made = Pools(of=stretches, basin=basin, bottom=bottom)
    _join(made, len(bottom))
    place = _laid_out(made, len(bottom))
    kept = np.argsort(place[basin], kind="stable")
    counts = np.bincount(place[basin], minlength=len(bottom))
    ends = np.append(0, np.cumsum(counts))
    made.order = np.argsort(place)
    made.spans = [(int(ends[first]), int(ends[last])) for first, last in made.under]
    made.floor_mm = floor[kept]
    made.room_mm = stretches.top_mm[kept] - made.floor_mm
    return made


def _join(made: Pools, count: int) -> None:
    """Join basins by the lowest passes between them."""
    floor, basin = made.of.floor_mm, made.basin
    one, other = basin[made.of.a], basin[made.of.b]
    differ = np.flatnonzero(one != other)
    one, other = one[differ], other[differ]
    ends_mm = floor[made.of.a[differ]], floor[made.of.b[differ]]
    height, foot = np.maximum(*ends_mm), np.minimum(*ends_mm)
    key = np.minimum(one, other) * count + np.maximum(one, other)
    order = np.lexsort((foot, height, key))
    first = order[np.append(True, np.diff(key[order]) != 0)] if len(order) else order
    first = first[np.lexsort((foot[first], height[first]))]  # of equal passes the steeper way
    made.parent = [-1] * count
    made.pass_mm = [math.inf] * count
    made.deep_mm = floor[made.bottom].tolist()
    eldest = list(range(count))
    node = list(range(count))

    def name(k: int) -> int:
        while eldest[k] != k:
            eldest[k] = eldest[eldest[k]]
            k = eldest[k]
        return k

    for a, b, mm in zip(*(v[first].tolist() for v in (one, other, height)), strict=True):
        left, right = name(a), name(b)
        if left == right:
            continue
        fresh = len(made.parent)
        made.sides[fresh], made.gates[fresh] = (node[left], node[right]), (a, b)
        made.parent[node[left]] = made.parent[node[right]] = fresh
        made.parent.append(-1)
        made.pass_mm.append(mm)
        made.deep_mm.append(min(made.deep_mm[node[left]], made.deep_mm[node[right]]))
        eldest[right], node[left] = left, fresh


def _laid_out(made: Pools, count: int) -> Ints:
    """Put basins into an order, (n,), in which those under any node stand together."""
    place = np.empty(count, np.int64)
    spans = [(0, 0)] * len(made.parent)
    at = 0
    for root in (k for k, up in enumerate(made.parent) if up < 0):
        todo = [(root, False)]
        while todo:
            node, is_done = todo.pop()
            if node < count:
                place[node], spans[node] = at, (at, at + 1)
                at += 1
            elif is_done:
                left, right = made.sides[node]
                spans[node] = (spans[left][0], spans[right][1])
            else:
                left, right = made.sides[node]
                todo += [(node, True), (right, False), (left, False)]
    made.under = spans
    return place


def pits_of(pools: Pools) -> Ints:
    """Choose the basins, (k,), whose floor lies well under all ways to a deeper one."""
    chosen = []
    for basin in range(len(pools.bottom)):
        node, deep_mm = basin, pools.deep_mm[basin]
        while (up := pools.parent[node]) >= 0 and pools.pass_mm[up] - deep_mm < PIT_MM:
            left, right = pools.sides[up]
            if pools.deep_mm[up] < deep_mm or (node == right and pools.deep_mm[left] == deep_mm):
                break
            node = up
        else:
            chosen.append(basin)
    return np.array(chosen, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tray:
    """The cavity as it is held: what stays the same at every tilt."""

    rooms: ReachableVoid
    base: BasePlane
    clock: Clock
    x_mm: Floats
    y_mm: Floats
    is_open: Bools
    a: Ints
    b: Ints

    def way_up(self, tilt_deg: float, low: Floats) -> Floats:
        """Give the way up, (3,), with the side towards `low`, (2,), held lower by an angle."""
        a, b, _ = (float(value) for value in self.base.plane)
        normal = np.array([-a, -b, 1.0]) * self.base.upright
        side = np.array([*low, a * low[0] + b * low[1]])
        tilt = math.radians(tilt_deg)
        return math.cos(tilt) * normal - math.sin(tilt) * side / np.linalg.norm(side)

    def levels_mm(self, up: Floats, x_mm: Floats, y_mm: Floats, over_mm: Floats) -> Floats:
        """Give levels of places, (m,), at heights over the base line; 0 there at the middle."""
        middle = self.clock.centre_mm
        z = plane_mm(self.base.plane, x_mm, y_mm) - plane_mm(self.base.plane, *middle) + over_mm
        return np.asarray(up[0] * (x_mm - middle[0]) + up[1] * (y_mm - middle[1]) + up[2] * z)

    def seen(self, up: Floats) -> Stretches:
        """See the stretches under a way up."""
        top = np.where(self.is_open, 0.0, self.rooms.roof_mm)
        top = self.levels_mm(up, self.x_mm, self.y_mm, top)
        return Stretches(
            floor_mm=self.levels_mm(up, self.x_mm, self.y_mm, self.rooms.floor_mm),
            top_mm=np.where(self.is_open, np.inf, top),
            a=self.a,
            b=self.b,
            ml_per_mm=self.rooms.grid.pitch_mm**2 / float(up[2]) / 1000.0,
        )


def find_flow(
    rooms: ReachableVoid, base: BasePlane, crest_mm: Floats, clock: Clock, imprints: Imprints
) -> Flow:
    """Pour from either end, level and tilted, and look for air; `crest_mm` (k, 3) is the rim."""
    grid = rooms.grid
    j, i = np.divmod(rooms.cell, grid.shape[1])
    is_open = rooms.roof_mm >= 0.0
    a, b = neighbours(grid, rooms.cell, rooms.floor_mm, np.where(is_open, np.inf, rooms.roof_mm))
    tray = _Tray(
        rooms=rooms,
        base=base,
        clock=clock,
        x_mm=grid.low_mm[0] + i * grid.pitch_mm,
        y_mm=grid.low_mm[1] + j * grid.pitch_mm,
        is_open=is_open,
        a=a,
        b=b,
    )
    over_mm = np.maximum(base.heights_mm(*crest_mm.T), 0.0)  # boxed in where it lies lower
    hours = clock.hours(crest_mm[:, 0], crest_mm[:, 1])
    pours: list[Pour] = []
    for tilt_deg in (0.0, TILT_DEG, -TILT_DEG):
        for end in imprints.ends_mm:
            if tilt_deg or not pours:
                up = tray.way_up(tilt_deg, end - clock.centre_mm)
                pools = pools_of(tray.seen(up))
                rim_mm = tray.levels_mm(up, crest_mm[:, 0], crest_mm[:, 1], over_mm)
                lowest = [int(k[np.argmin(rim_mm[k])]) for k in _groups(hours)]
                near = [
                    int(np.argmin(np.hypot(tray.x_mm - x, tray.y_mm - y)))
                    for x, y in crest_mm[lowest, :2]
                ]
            pours.append(
                _pour(
                    tray, pools, (np.array(near), rim_mm[lowest]), imprints, end, tilt_deg=tilt_deg
                )
            )
    level, worst, best = _air(tray)
    return Flow(pours=tuple(pours), level_air=level, worst_air=worst, best_air=best)


def _groups(names: Ints) -> list[Ints]:
    """Give the places, (k,), of each name."""
    return [np.flatnonzero(names == name) for name in np.unique(names)]


def _pour(
    tray: _Tray,
    pools: Pools,
    rim: tuple[Ints, Floats],
    imprints: Imprints,
    end: Floats,
    *,
    tilt_deg: float,
) -> Pour:
    """Pour into the imprint nearest to an end of the row; `rim` is stretches and levels there."""
    floor = pools.of.floor_mm
    piece = imprints.piece.ravel()[tray.rooms.cell]
    if imprints.each:
        own = (
            np.flatnonzero((piece == name) & tray.is_open)
            for name in range(1, len(imprints.each) + 1)
        )
        deepest = np.array([cells[np.argmin(floor[cells])] for cells in own])
    else:
        deepest = pools.bottom[pits_of(pools)]
        deep_mm = -tray.rooms.floor_mm[deepest]
        deepest = deepest[deep_mm > PIT_SHARE * deep_mm.max()]
    x, y = tray.x_mm[deepest], tray.y_mm[deepest]
    start = deepest[int(np.argmin(np.hypot(x - end[0], y - end[1])))]
    ml, level = pools.poured(int(pools.basin[start]))
    hours = tray.clock.hours(x, y)
    reached = [
        Reached(
            imprint=k + 1 if imprints.each else None,
            hour=int(hours[k]),
            ml=pools.covered_ml(ml, int(at), float(floor[at])),
            level_mm=max(float(level[pools.basin[at]]), float(floor[at])),
        )
        for k, at in enumerate(deepest)
    ]
    last_ml = max(one.ml for one in reached)
    spills_ml = min(
        pools.covered_ml(ml, int(k), max(float(mm), float(floor[k])))
        for k, mm in zip(*rim, strict=True)
    )
    return Pour(
        hour=int(tray.clock.hours(*end[:, None])[0]),
        tilt_deg=tilt_deg,
        reached=tuple(sorted(reached, key=lambda one: (one.ml, one.hour))),
        last_ml=last_ml,
        spills_ml=spills_ml if spills_ml < last_ml else math.inf,
    )


def _air(tray: _Tray) -> tuple[Tilt, Tilt | None, Tilt | None]:
    """Tilt the tray about, and give what stays level, and the tilts that keep most and least."""
    turns = 2.0 * np.pi * np.arange(TURNS) / TURNS
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    tray = _roofed(tray)
    level = _trapped(tray, 0.0, ways[0])
    tilts = [_trapped(tray, deg, way) for deg in TILTS_DEG for way in ways]
    least, most = (pick([level, *tilts], key=lambda one: one.trapped_ml) for pick in (min, max))
    worst = most if most.trapped_ml >= LEAST_AIR_ML else None
    return level, worst, least if worst is not None else None


def _roofed(tray: _Tray) -> _Tray:
    """Leave out what is under open sky and touches no roof: no air stays there, and none passes."""
    under = ~tray.is_open
    pairs = under[tray.a] | under[tray.b]
    near = under.copy()
    near[tray.a[pairs]] = near[tray.b[pairs]] = True
    place = np.cumsum(near) - 1
    rooms = replace(
        tray.rooms,
        cell=tray.rooms.cell[near],
        floor_mm=tray.rooms.floor_mm[near],
        roof_mm=tray.rooms.roof_mm[near],
        filled=tray.rooms.filled[near],
        assumed=tray.rooms.assumed[near],
    )
    return replace(
        tray,
        rooms=rooms,
        x_mm=tray.x_mm[near],
        y_mm=tray.y_mm[near],
        is_open=tray.is_open[near],
        a=place[tray.a[pairs]],
        b=place[tray.b[pairs]],
    )


def _trapped(tray: _Tray, tilt_deg: float, low: Floats) -> Tilt:
    """Say what air stays under roofs in a tray that is tilted; under open sky none does."""
    toward = tray.clock.centre_mm + low
    low_hour = int(tray.clock.hours(*toward[:, None])[0])
    if tray.is_open.all():
        return Tilt(tilt_deg=tilt_deg, low_hour=low_hour, trapped_ml=0.0, hour=None)
    seen = tray.seen(tray.way_up(tilt_deg, low))
    top = np.where(tray.is_open, np.max(seen.top_mm[~tray.is_open], initial=0.0), seen.top_mm)
    stays = top - np.maximum(best_passage_mm(tray.a, tray.b, top, tray.is_open), seen.floor_mm)
    stays = np.where((stays > LEAST_POCKET_MM) & ~tray.is_open & tray.rooms.filled, stays, 0.0)
    trapped_ml = float(stays.sum()) * seen.ml_per_mm
    hour = None
    if trapped_ml:
        place = (np.average(v, weights=stays) for v in (tray.x_mm, tray.y_mm))
        hour = int(tray.clock.hours(*(np.array([v]) for v in place))[0])
    return Tilt(tilt_deg=tilt_deg, low_hour=low_hour, trapped_ml=trapped_ml, hour=hour)
