"""How stone runs from one end of the row: when it first reaches each imprint, and what air stays.

Stone is taken to rise like water and air to leave by any way up: see docs/explanation/guide.md for
how far that holds. Basins of the columns' stretches are joined in order of the passes between them
to a tree (Kruskal's spanning tree with what lies below each edge kept; from memory); a pour is a
walk in it: one side is filled to the pass before the other gets a drop.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.frame import Bools, Floats, Ints, plane_mm
from volest.cavity.imprints import Imprints
from volest.cavity.trim import PIT_SHARE, Clock
from volest.cavity.void import LEAST_AIR_ML, ReachableVoid, neighbours, trapped_mm

PIT_MM = 0.5  # a floor that lies so far under all its ways out: a cusp's tip; noise makes shallower
TILT_DEG = 20.0  # about what a hand tilts a tray by on the vibrator; practice, no source
TILTS_DEG, TURNS = (10.0, 20.0, 30.0), 16  # in which air is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """When stone comes to the deepest place of an imprint, of a pour from one end."""

    # which of the parted imprints, from 1; None for a pit of a row that does not part
    imprint: int | None
    hour: int  # where it lies
    ml: float  # what is poured by then
    level_mm: float  # height of the stone by then, over the base line at the dial's middle


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """A pour from one end of the row."""

    hour: int  # the end at which stone is let in
    tilt_deg: float  # how much lower that end is held; negative for higher, 0 for a level tray
    reached: tuple[Reached, ...]  # in the order in which stone comes there
    last_ml: float  # what is poured when it has come to the last of them, and wetted it
    # what is poured when all imprints are full to the gum beside them, in a level tray; None where
    # a gum is not known
    full_ml: float | None
    # after how much it runs over the rim, were that not boxed in; infinite if not before all are
    # reached
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
    """What is told of the pour."""

    pours: tuple[Pour, ...]  # from either end: level, and with that end lower and higher
    level_air: Tilt  # what stays in a level tray
    # the tilts that keep most and least of it; None where all keep next to none
    worst_air: Tilt | None
    best_air: Tilt | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """What stone can stand in, seen under a way up; levels are along it, in mm."""

    # (m,) levels; the top is infinite under the open sky
    floor_mm: Floats
    top_mm: Floats
    # (p,) pairs that meet
    a: Ints
    b: Ints
    ml_per_mm: float  # what one of them takes as the level rises


@dataclass(slots=True, kw_only=True)
class Node:
    """A basin, or what two nodes are once stone stands over the pass between them."""

    deepest: int  # the basin with its lowest floor
    ends: tuple[int, int]  # the first and the last of its basins, in the order of `Pools`
    sides: tuple[int, int] = (-1, -1)  # the two that it joins, -1 for a basin
    gates: tuple[int, int] = (-1, -1)  # the basins on either side of the pass between these
    parent: int = -1  # what it is joined into
    pass_mm: float = math.inf  # height of the pass where it is


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pools:
    """Basins and how they join: nodes 0 to n - 1 are basins, each later one joins two others."""

    of: Stretches
    basin: Ints  # (m,) the basin that each stretch drains to
    bottom: Ints  # (n,) the lowest stretch of each basin
    nodes: list[Node]
    # (n,) an order of the basins in which those of any node stand together, and each one's place
    order: Ints
    place: Ints
    # (m,) of the stretches, basin by basin in that order, and (n + 1,) where each basin begins
    floor_mm: Floats
    room_mm: Floats
    starts: Ints

    def _basins(self, node: int) -> slice:
        first, last = self.nodes[node].ends
        return slice(int(self.place[first]), int(self.place[last]) + 1)

    def held_ml(self, node: int, level_mm: float) -> float:
        """Give what all that lies below a node holds up to a level."""
        basins = self._basins(node)
        own = slice(int(self.starts[basins.start]), int(self.starts[basins.stop]))
        deep = np.clip(level_mm - self.floor_mm[own], 0.0, self.room_mm[own])
        return float(deep.sum()) * self.of.ml_per_mm

    def poured(self, start: int) -> tuple[Floats, Floats]:
        """Pour into a basin: what is poured, (n,), and the level, when each basin gets its first.

        Infinite where stone from there does not come.
        """
        ml, level = np.full((2, len(self.bottom)), np.inf)
        top = start
        while self.nodes[top].parent >= 0:
            top = self.nodes[top].parent
        todo = [(start, top, 0.0, float(self.of.floor_mm[self.bottom[start]]))]
        while todo:
            node, top, before_ml, at_mm = todo.pop()
            ml[node], level[node] = before_ml, at_mm
            while node != top:
                one = self.nodes[node]
                up = self.nodes[one.parent]
                far = 1 if node == up.sides[0] else 0
                held_ml = self.held_ml(node, one.pass_mm)
                at_pass_mm = max(at_mm, one.pass_mm)
                todo.append((up.gates[far], up.sides[far], before_ml + held_ml, at_pass_mm))
                node = one.parent
        return ml, level

    def covered_ml(self, ml: Floats, stretch: int, level_mm: float) -> float:
        """Give what is poured when stone over a stretch stands at a level; `ml` is of basins."""
        node = int(self.basin[stretch])
        while self.nodes[node].pass_mm < level_mm:
            node = self.nodes[node].parent
        return float(ml[self.order[self._basins(node)]].min()) + self.held_ml(node, level_mm)


def pools_of(stretches: Stretches) -> Pools:
    """Find basins, and join them from the lowest pass on."""
    floor = stretches.floor_mm
    order = np.argsort(floor, kind="stable")
    rank = np.argsort(order)
    lowest = rank.copy()
    np.minimum.at(lowest, stretches.a, rank[stretches.b])
    np.minimum.at(lowest, stretches.b, rank[stretches.a])
    down = order[lowest]
    while not np.array_equal(down[down], down):
        down = down[down]
    bottom, basin = np.unique(down, return_inverse=True)
    nodes, row = _joined(stretches, basin, bottom)
    place = np.argsort(row)
    kept = np.argsort(place[basin], kind="stable")
    return Pools(
        of=stretches,
        basin=basin,
        bottom=bottom,
        nodes=nodes,
        order=row,
        place=place,
        floor_mm=floor[kept],
        room_mm=stretches.top_mm[kept] - floor[kept],
        starts=np.append(0, np.cumsum(np.bincount(place[basin]))),
    )


def _joined(of: Stretches, basin: Ints, bottom: Ints) -> tuple[list[Node], Ints]:
    """Join basins by the lowest passes; give an order, (n,), in which those of a node stand on."""
    floor, count = of.floor_mm, len(bottom)
    pairs = np.flatnonzero(basin[of.a] != basin[of.b])
    a, b = of.a[pairs], of.b[pairs]
    height, foot = np.maximum(floor[a], floor[b]), np.minimum(floor[a], floor[b])
    key = np.minimum(basin[a], basin[b]) * count + np.maximum(basin[a], basin[b])
    by_height = np.lexsort((key, foot, height))  # of equal passes the steeper way
    first = np.sort(np.unique(key[by_height], return_index=True)[1])
    passes = by_height[first]
    nodes = [Node(deepest=k, ends=(k, k)) for k in range(count)]
    deep_mm = floor[bottom].tolist()
    top, after = list(range(count)), {}

    def top_of(k: int) -> int:
        while top[k] != k:
            top[k] = top[top[k]]
            k = top[k]
        return k

    ways = (basin[a[passes]], basin[b[passes]], height[passes])
    for one, other, pass_mm in zip(*(way.tolist() for way in ways), strict=True):
        sides = left, right = top_of(one), top_of(other)
        if left == right:
            continue
        top[left] = top[right] = fresh = len(nodes)
        top.append(fresh)
        (begin, joint), (further, end) = nodes[left].ends, nodes[right].ends
        after[joint] = further
        for side in sides:
            nodes[side].parent, nodes[side].pass_mm = fresh, pass_mm
        deepest = min(nodes[left].deepest, nodes[right].deepest, key=deep_mm.__getitem__)
        nodes.append(Node(deepest=deepest, ends=(begin, end), sides=sides, gates=(one, other)))
    row: list[int] = []
    for begin in (node.ends[0] for node in nodes if node.parent < 0):
        row.append(begin)
        while row[-1] in after:
            row.append(after[row[-1]])
    return nodes, np.array(row, np.int64)


def pits_of(pools: Pools) -> Ints:
    """Choose the basins, (k,), whose floor lies well under all ways to a deeper one."""
    chosen, nodes = [], pools.nodes
    for basin, deep_mm in enumerate(pools.of.floor_mm[pools.bottom].tolist()):
        node = basin
        while nodes[node].deepest == basin and nodes[node].pass_mm - deep_mm < PIT_MM:
            node = nodes[node].parent
        if nodes[node].deepest == basin:
            chosen.append(basin)
    return np.array(chosen, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tray:
    """The cavity as it is held: what stays the same at every tilt."""

    rooms: ReachableVoid
    base: BasePlane
    clock: Clock
    # (p,) pairs of stretches that meet
    a: Ints
    b: Ints

    @property
    def is_open(self) -> Bools:
        """Which stretches lie under the open sky."""
        return self.rooms.roof_mm >= 0.0

    @property
    def places_mm(self) -> tuple[Floats, Floats]:
        """Where the stretches stand, x and y in the frame."""
        return self.rooms.grid.places_mm(self.rooms.cell)

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
        x, y = self.places_mm
        top = self.levels_mm(up, x, y, np.where(self.is_open, 0.0, self.rooms.roof_mm))
        return Stretches(
            floor_mm=self.levels_mm(up, x, y, self.rooms.floor_mm),
            top_mm=np.where(self.is_open, np.inf, top),
            a=self.a,
            b=self.b,
            ml_per_mm=self.rooms.grid.pitch_mm**2 / float(up[2]) / 1000.0,
        )


def find_flow(
    rooms: ReachableVoid,
    base: BasePlane,
    crest_mm: Floats,
    clock: Clock,
    imprints: Imprints,
    *,
    gums_mm: Sequence[float | None] = (),
) -> Flow:
    """Pour from either end, level and tilted, and look for air; `crest_mm` (k, 3) is the rim.

    `gums_mm` (n,) is stone from the gum beside each imprint to the base line.
    """
    roof = np.where(rooms.roof_mm >= 0.0, np.inf, rooms.roof_mm)
    a, b = neighbours(rooms.grid, rooms.cell, rooms.floor_mm, roof)
    tray = _Tray(rooms=rooms, base=base, clock=clock, a=a, b=b)
    x, y = tray.places_mm
    over_mm = np.maximum(base.heights_mm(*crest_mm.T), 0.0)  # boxed in where it lies lower
    hours = clock.hours(crest_mm[:, 0], crest_mm[:, 1])
    pours: list[Pour] = []
    for tilt_deg in (0.0, TILT_DEG, -TILT_DEG):
        for end in imprints.curve_mm[[0, -1]]:
            if tilt_deg or not pours:
                up = tray.way_up(tilt_deg, end - clock.centre_mm)
                pools = pools_of(tray.seen(up))
                rim_mm = tray.levels_mm(up, crest_mm[:, 0], crest_mm[:, 1], over_mm)
                by_hour = np.lexsort((rim_mm, hours))
                lowest = by_hour[np.unique(hours[by_hour], return_index=True)[1]]
                near = [np.argmin(np.hypot(x - u, y - v)) for u, v in crest_mm[lowest, :2]]
                rim = np.array(near), rim_mm[lowest]
            gums = () if tilt_deg else gums_mm
            pours.append(_pour(tray, pools, rim, imprints, end, gums_mm=gums, tilt_deg=tilt_deg))
    level, worst, best = _air(tray)
    return Flow(pours=tuple(pours), level_air=level, worst_air=worst, best_air=best)


def _pour(
    tray: _Tray,
    pools: Pools,
    rim: tuple[Ints, Floats],
    imprints: Imprints,
    end: Floats,
    *,
    gums_mm: Sequence[float | None],
    tilt_deg: float,
) -> Pour:
    """Pour into the imprint nearest to an end of the row; `rim` is stretches and levels there."""
    floor = pools.of.floor_mm
    piece = imprints.piece.ravel()[tray.rooms.cell]
    if imprints.each:
        names = range(1, len(imprints.each) + 1)
        own = (np.flatnonzero((piece == name) & tray.is_open) for name in names)
        deepest = np.array([cells[np.argmin(floor[cells])] for cells in own])
    else:
        deepest = pools.bottom[pits_of(pools)]
        deep_mm = -tray.rooms.floor_mm[deepest]
        deepest = deepest[deep_mm > PIT_SHARE * deep_mm.max()]
    x, y = (v[deepest] for v in tray.places_mm)
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
    gums = [mm for mm in gums_mm if mm is not None]
    full_ml = None
    if imprints.each and len(gums) == len(imprints.each):
        full_ml = max(
            pools.covered_ml(ml, int(at), -mm) for at, mm in zip(deepest, gums, strict=True)
        )
    spills_ml = min(
        pools.covered_ml(ml, int(k), max(float(mm), float(floor[k])))
        for k, mm in zip(*rim, strict=True)
    )
    return Pour(
        hour=int(tray.clock.hours(*end)),
        tilt_deg=tilt_deg,
        reached=tuple(sorted(reached, key=lambda one: (one.ml, one.hour))),
        last_ml=last_ml,
        full_ml=full_ml,
        spills_ml=spills_ml if spills_ml < last_ml else math.inf,
    )


def _air(tray: _Tray) -> tuple[Tilt, Tilt | None, Tilt | None]:
    """Tilt the tray about, and give what stays level, and the tilts that keep most and least."""
    turns = 2.0 * np.pi * np.arange(TURNS) / TURNS
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    # Left out is what lies under open sky and touches no roof: no air stays there, and none passes.
    near = ~tray.is_open
    pairs = near[tray.a] | near[tray.b]
    a, b = tray.a[pairs], tray.b[pairs]
    near[a] = near[b] = True
    place = np.cumsum(near) - 1
    tray = replace(tray, rooms=tray.rooms.of(near), a=place[a], b=place[b])
    level = _trapped(tray, 0.0, ways[0])
    tilts = [_trapped(tray, deg, way) for deg in TILTS_DEG for way in ways]
    least, most = (pick([level, *tilts], key=lambda one: one.trapped_ml) for pick in (min, max))
    worst = most if most.trapped_ml >= LEAST_AIR_ML else None
    return level, worst, least if worst is not None else None


def _trapped(tray: _Tray, tilt_deg: float, low: Floats) -> Tilt:
    """Say what air stays under roofs in a tray that is tilted; under open sky none does."""
    trapped_ml, hour = 0.0, None
    if not tray.is_open.all():
        seen = tray.seen(tray.way_up(tilt_deg, low))
        top = np.where(tray.is_open, np.max(seen.top_mm[~tray.is_open], initial=0.0), seen.top_mm)
        stays = trapped_mm(tray.a, tray.b, seen.floor_mm, top, tray.is_open)
        stays = np.where(~tray.is_open & tray.rooms.filled, stays, 0.0)
        trapped_ml = float(stays.sum()) * seen.ml_per_mm
        if trapped_ml:
            place = np.array([np.average(v, weights=stays) for v in tray.places_mm])
            hour = int(tray.clock.hours(*place))
    low_hour = int(tray.clock.hours(*(tray.clock.centre_mm + low)))
    return Tilt(tilt_deg=tilt_deg, low_hour=low_hour, trapped_ml=trapped_ml, hour=hour)
