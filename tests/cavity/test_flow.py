"""How stone runs: pools against a heap, against a pour step by step, and basins by their formulas.

The level that water from a place needs to come to another is the least of all ways' highest floors
(a bottleneck path): a heap that always goes on at the lowest floor finds it, without any tree. The
step by step pour knows no tree either: it holds pools as sets of stretches and raises the one that
the stream runs into. Air is compared with voxels that are filled from above.
"""

import heapq
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given as given_any
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.ndimage import gaussian_filter

from tests.cavity.stages import PIECE, bed, box, level, pit, staged
from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Grid
from volest.cavity.flow import Flow, Pools, Stretches, find_flow, pools_of
from volest.cavity.frame import Bools, Floats
from volest.cavity.imprints import Imprints
from volest.cavity.trim import find_clock
from volest.cavity.void import ReachableVoid, neighbours

PITCH_MM = 0.2
SHAPE = (13, 17)


def terrain(seed: int, *, whole: bool) -> Stretches:
    """Draw floors and some roofs on a map; whole heights give many that are equal."""
    rng = np.random.default_rng(seed)
    rows, columns = rng.integers(2, 16, 2)
    floor = rng.integers(-9, 0, (rows, columns)).astype(float)
    if not whole:
        floor += rng.random(floor.shape)
    top = np.where(rng.random(floor.shape) < 0.2, floor + rng.random(floor.shape) * 4.0, np.inf)
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(int(rows), int(columns)))
    a, b = neighbours(grid, np.arange(floor.size), floor.ravel(), top.ravel())
    return Stretches(floor_mm=floor.ravel(), top_mm=top.ravel(), a=a, b=b, ml_per_mm=0.001)


def around(stretches: Stretches) -> list[list[int]]:
    ways: list[list[int]] = [[] for _ in stretches.floor_mm]
    for a, b in zip(stretches.a.tolist(), stretches.b.tolist(), strict=True):
        ways[a].append(b)
        ways[b].append(a)
    return ways


def levels_by_heap(stretches: Stretches, start: int) -> Floats:
    """Find the level at which each stretch is first covered, always going on at the lowest."""
    ways, floor = around(stretches), stretches.floor_mm.tolist()
    found = np.full(len(floor), np.inf)
    heap = [(floor[start], start)]
    while heap:
        mm, at = heapq.heappop(heap)
        if mm >= found[at]:
            continue
        found[at] = mm
        for other in ways[at]:
            if found[other] == np.inf:
                heapq.heappush(heap, (max(mm, floor[other]), other))
    return found


def poured_step_by_step(stretches: Stretches, start: int) -> Floats:
    """Let a stream run to where it can go no lower, raise the water there to its shore, and again.

    mL when each stretch is first raised; there are no roofs.
    """
    ways = around(stretches)
    surface = stretches.floor_mm.copy()
    first, poured_mm, at = np.full(len(surface), np.inf), 0.0, start
    while True:
        flat, todo = {at}, [at]
        while todo:
            for other in ways[todo.pop()]:
                if other not in flat and surface[other] == surface[at]:
                    flat.add(other)
                    todo.append(other)
        shore = {other for one in flat for other in ways[one]} - flat
        if not shore:
            return first
        lowest = min(shore, key=lambda k: (surface[k], k))
        if surface[lowest] < surface[at]:
            at = lowest
            continue
        for one in flat:
            first[one] = min(first[one], poured_mm * stretches.ml_per_mm)
            poured_mm += surface[lowest] - surface[at]
        surface[list(flat)] = surface[lowest]


def poured(stretches: Stretches, start: int) -> tuple[Pools, Floats, Floats]:
    pools = pools_of(stretches)
    return pools, *pools.poured(int(pools.basin[start]))


@hypothesis_settings(max_examples=60)
@given_any(seed=st.integers(0, 10**6), whole=st.booleans())
def test_levels_are_those_of_a_heap_exactly(seed: int, *, whole: bool) -> None:
    stretches = terrain(seed, whole=whole)
    pools = pools_of(stretches)
    start = int(pools.bottom[seed % len(pools.bottom)])
    _, level = pools.poured(int(pools.basin[start]))
    told = np.maximum(stretches.floor_mm, level[pools.basin])
    assert np.array_equal(told, levels_by_heap(stretches, start))


@hypothesis_settings(max_examples=50)
@given_any(seed=st.integers(0, 10**6))
def test_ml_are_those_of_a_pour_step_by_step(seed: int) -> None:
    drawn = terrain(seed, whole=False)
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=SHAPE)
    floor = gaussian_filter(np.random.default_rng(seed).normal(size=SHAPE), 1.0).ravel() * 9.0
    a, b = neighbours(grid, np.arange(floor.size), floor, np.full(floor.size, np.inf))
    stretches = replace(drawn, floor_mm=floor, top_mm=np.full(floor.size, np.inf), a=a, b=b)
    pools = pools_of(stretches)
    start = int(pools.bottom[seed % len(pools.bottom)])
    ml, _ = pools.poured(int(pools.basin[start]))
    assert ml == pytest.approx(poured_step_by_step(stretches, start)[pools.bottom], abs=1e-9)


def test_covered_is_when_the_step_by_step_pour_gets_there() -> None:
    # A stretch half-way up a slope is first raised when the pool under it has come to it.
    floor = np.array([-9.0, -4.0, -8.0, -6.0, -2.0, -5.0])
    a = np.arange(5)
    stretches = Stretches(floor_mm=floor, top_mm=np.full(6, np.inf), a=a, b=a + 1, ml_per_mm=0.001)
    pools, ml, _ = poured(stretches, 0)
    # By hand: 5 mm over the first to the pass at -4; then 4 + 2 mm over the third and fourth ...
    by_hand = [0.0, 5.0, 5.0, 5.0 + 2.0, 5.0 + 4.0 + 2.0 + 4 * 2.0, 19.0]
    told = [pools.covered_ml(ml, k, mm) * 1000.0 for k, mm in enumerate(floor.tolist())]
    assert told == pytest.approx(by_hand)


def bowls(*, bell: bool) -> Manifold:
    """Cut two half balls of 9 and 7 mm, a pass 4 mm under the top between them, maybe a bell.

    The bell is a slot under the larger bowl's wall, whose roof rises outwards.
    """
    one = Manifold.sphere(9.0, 128).translate((-10.0, 0.0, 0.0))
    other = Manifold.sphere(7.0, 128).translate((8.5, 0.0, 0.0))
    made = one + other + box((12.0, 4.0, 4.0), (0.0, 0.0, 0.0))
    if bell:
        made += box((10.0, 6.0, 3.0), (-19.0, 0.0, -4.0))
        made += box((3.0, 6.0, 5.0), (-22.5, 0.0, -2.0))
    return bed(made + box((40.0, 24.0, 2.0), (-0.75, 0.0, 1.0)))


def row_of(rooms: ReachableVoid, *ends: tuple[float, float]) -> Imprints:
    return Imprints(
        piece=np.zeros(rooms.grid.shape, np.int64),
        curve_mm=np.array(ends),
        is_arch=False,
        end_hours=(9, 3),
        each=(),
    )


def flow_of(solid: Manifold, base: BasePlane, *ends: tuple[float, float]) -> Flow:
    stages = staged(solid, PITCH_MM)
    rooms = stages.rooms(base)
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    return find_flow(rooms, base, stages.rim.crest_mm, clock, row_of(rooms, *ends))


def test_a_bowl_is_filled_to_the_pass_before_the_other_gets_a_drop() -> None:
    flow = flow_of(bowls(bell=False), level(0.0), (-10.0, 0.0), (8.5, 0.0))
    large, small = flow.pours[:2]
    assert large.reached[0].ml == 0.0
    assert large.last_ml == pytest.approx(cap_ml(9.0, 4.0), rel=0.01)
    assert small.last_ml == pytest.approx(cap_ml(7.0, 4.0), rel=0.01)
    assert large.reached[-1].level_mm == pytest.approx(-4.0, abs=0.01)
    assert not math.isfinite(large.spills_ml)


def cap_ml(radius_mm: float, under_mm: float) -> float:
    """Volume of a half ball's cap below a height under its equator (CRC tables, 'Solids')."""
    high = radius_mm - under_mm
    return math.pi * high**2 * (3.0 * radius_mm - high) / 3.0 / 1000.0


def test_full_is_when_the_last_imprint_has_stone_to_its_gum() -> None:
    solid, base = bowls(bell=False), level(0.0)
    stages = staged(solid, PITCH_MM)
    rooms = stages.rooms(base)
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    row = row_of(rooms, (-10.0, 0.0), (8.5, 0.0))
    piece = np.where(rooms.grid.centres_mm()[0] < 0.0, 1, 2)
    each = tuple(replace(PIECE, deep_mm=mm) for mm in (9.0, 7.0))
    row = replace(row, piece=piece, each=each)

    def full_ml(*gums_mm: float | None) -> list[float | None]:
        flow = find_flow(rooms, base, stages.rim.crest_mm, clock, row, gums_mm=gums_mm)
        assert all(one.full_ml is None for one in flow.pours[2:])
        return [one.full_ml for one in flow.pours[:2]]

    # The first bowl is filled to the pass, 4 mm under the line, before the other gets its stone.
    by_hand = [cap_ml(9.0, 4.0) + cap_ml(7.0, 5.0), cap_ml(7.0, 4.0) + cap_ml(9.0, 4.5)]
    assert full_ml(4.5, 5.0) == pytest.approx(by_hand, rel=0.01)
    cavity = box((62.0, 52.0, 30.0), (0.0, 0.0, 0.0)) - solid
    below_ml = cavity.trim_by_plane((0.0, 0.0, -1.0), 2.0).volume() / 1000.0  # by manifold3d
    assert full_ml(2.0, 3.0) == pytest.approx([below_ml] * 2, rel=0.01)
    assert full_ml(2.0, None) == [None, None]


def test_what_lies_under_a_roof_takes_its_part() -> None:
    # Under the pass the slot holds what the boolean says (manifold3d).
    solid = bowls(bell=True)
    flow = flow_of(solid, level(0.0), (-10.0, 0.0), (8.5, 0.0))
    block = box((62.0, 52.0, 30.0), (0.0, 0.0, 0.0))
    cavity = (block - solid).trim_by_plane((0.0, 0.0, -1.0), 4.0)
    left = cavity.trim_by_plane((-1.0, 0.0, 0.0), 0.5)
    assert flow.pours[0].last_ml == pytest.approx(left.volume() / 1000.0, rel=0.01)


def air_by_voxels(solid: Manifold, up: Floats) -> float:
    """Let air rise out of all voxels of the cavity from the open top: what is left over stays."""
    step = 0.5
    x, y, z = (
        np.arange(low, high, step) + step / 2 for low, high in ((-31, 31), (-26, 26), (-30, 0))
    )
    places = np.stack(np.meshgrid(x, y, z, indexing="ij"))
    free = np.stack([~within(solid.slice(at).to_polygons(), x, y) for at in z.tolist()], axis=-1)
    level_mm = np.tensordot(up, places, axes=1)
    found = np.full(free.shape, -np.inf)  # the lowest height on the best way out
    heap = [(-level_mm[i, j, -1], (i, j, len(z) - 1)) for i, j in np.argwhere(free[:, :, -1])]
    heapq.heapify(heap)
    while heap:
        low, at = heapq.heappop(heap)
        if -low <= found[at]:
            continue
        found[at] = -low
        for step_to in np.concatenate([np.eye(3, dtype=int), -np.eye(3, dtype=int)]).tolist():
            i, j, k = (one + other for one, other in zip(at, step_to, strict=True))
            inside = 0 <= i < len(x) and 0 <= j < len(y) and 0 <= k < len(z)
            if inside and free[i, j, k] and min(-low, level_mm[i, j, k]) > found[i, j, k]:
                heapq.heappush(heap, (-min(-low, level_mm[i, j, k]), (i, j, k)))
    stays = free & np.isfinite(found) & (level_mm > found + step / 2.0)
    return float(np.count_nonzero(stays)) * step**3 / 1000.0


def within(rings: list[Floats], x: Floats, y: Floats) -> Bools:
    """Say which points (x, y) lie within rings, by how many edges lie to the right of them."""
    odd = np.zeros((len(x), len(y)), dtype=bool)
    for ring in rings:
        for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            crossed = np.flatnonzero((y0 > y) != (y1 > y))
            odd[:, crossed] ^= x[:, None] < x0 + (y[crossed] - y0) * (x1 - x0) / (y1 - y0)
    return odd


def test_a_level_bell_keeps_its_air_and_a_tilt_lets_it_out() -> None:
    # The chamber at the slot's end is 3 x 6 mm and 2 mm high over the slot's roof: 0.036 mL.
    solid = bowls(bell=True)
    flow = flow_of(solid, level(0.0), (-10.0, 0.0), (8.5, 0.0))
    assert flow.level_air.trapped_ml == pytest.approx(0.036, rel=0.04)
    assert flow.level_air.trapped_ml == pytest.approx(
        air_by_voxels(solid, np.array([0.0, 0.0, 1.0])), rel=0.15
    )
    assert flow.worst_air is not None
    assert flow.best_air is not None
    assert flow.best_air.trapped_ml < 0.6 * flow.level_air.trapped_ml
    # Most stays with the slot's end highest, by symmetry: the far side in x held 30 degrees lower.
    tilt = math.radians(30.0)
    most_ml = air_by_voxels(solid, np.array([-math.sin(tilt), 0.0, math.cos(tilt)]))
    assert flow.worst_air.trapped_ml == pytest.approx(most_ml, rel=0.15)


def test_where_no_roof_is_nothing_is_said_of_air() -> None:
    flow = flow_of(bowls(bell=False), level(0.0), (-10.0, 0.0), (8.5, 0.0))
    assert (flow.level_air.trapped_ml, flow.worst_air, flow.best_air) == (0.0, None, None)


def test_over_a_low_end_stone_runs_out() -> None:
    # A trough 40 mm long, its ends as pits 3 mm deeper: 20 degrees raise one end by 13 mm, more
    # than the 8 mm of the trough's depth, so that it runs over the low end before it comes there.
    trough = (
        pit(40.0, 12.0, 8.0) + pit(6.0, 8.0, 11.0, (-16.0, 0.0)) + pit(6.0, 8.0, 11.0, (16.0, 0.0))
    )
    flow = flow_of(bed(trough), level(0.0), (-16.0, 0.0), (16.0, 0.0))
    flat, low, high = flow.pours[0], flow.pours[2], flow.pours[4]
    assert flat.last_ml == pytest.approx(6.0 * 8.0 * 3.0 / 1000.0, rel=0.05)
    assert math.isinf(flat.spills_ml)
    assert math.isinf(high.spills_ml)
    assert high.last_ml < flat.last_ml
    # Under a level through the low end's rim, the wedge: 8 / tan 20 long, by the pit's own part.
    assert low.tilt_deg == 20.0
    assert low.spills_ml < low.last_ml or len(low.reached) == 1
