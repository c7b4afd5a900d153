"""What is drawn of a cavity: its records as named blocks, whole or cut open, without a display.

In drawings right is right, the front is ahead, out of the opening is up. The six strong colours
come from the set of Okabe and Ito for colour-blind readers (from memory); impression and stone
differ in lightness too, so that they part in grey print. Each mark also has a shape of its own.
Surfaces are points and triangles of our own, since a card is drawn where no VTK is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter, label, minimum, sum_labels
from scipy.sparse import coo_array
from scipy.spatial import ConvexHull

from volest.cavity.base_line import BasePlane
from volest.cavity.cast import LOCKED_MM, reach_mm
from volest.cavity.columns import Grid, cut_columns
from volest.cavity.frame import Bools, Floats, Ints
from volest.cavity.trim import stretches_off
from volest.pipeline import Cavity
from volest.scan.decision import Place

PAPER, INK, FAINT, PROFILE = "#f6f3ec", "#1d2433", "#5a6070", "#4c3f73"
# Dark is deep, light is high: lightness alone tells it. Steps of our own between two inks.
DEPTHS = ("#22264a", "#39406e", "#565b8e", "#7677a8", "#9896bd", "#bab6cf", "#dcd7e0", "#f4f0ee")
IMPRESSION, STONE, BASE_LINE, CUT_FACE = "impression", "stone", "base line", "cut face"
EXCESS, BOXING, HOLES, UNDERCUTS, AIR = "excess", "boxing", "holes", "undercuts", "air"
PREPARED = "prepared teeth"
_PEG_APART_MM, _PEG_MM, _PEG_WIDTH_MM = 4.0, 3.0, 1.8
_POST_APART_MM, _POST_OVER_MM, _POST_WIDTH_MM = 3.0, 1.4, 0.9
_BOARD_CELLS = 1.3  # boards overlap a little, so that a fence has no gaps
_DOT_APART_MM, _DOT_MM, _AIR_MM = 1.3, 0.9, 3.0
_STAKE_OVER_MM, _STAKE_WIDTH_MM = 4.0, 1.2  # over the base line, so that stone hides none
_RING_MM = 3.6  # across, so that a stake is seen from above
_LIFT_MM = 0.15  # over the surface, so that a mark is not half sunk into it
_SKIM_ROOM = 0.01  # of the room, at most: what holds more is counted, and is shown
_SKIM_SHARE = 0.1  # of the depth: a part by itself that is shallower lies on the flange
_BESIDE_MM = 200.0  # beyond the footprint no stone stands, however deep it is there
# How far the stone's edge is evened out, so that it does not follow the corners of the cells.
EVEN_OUT_MM, EVEN_OUT_CELLS = 0.8, 2.0
_STEP_MM = 0.05  # about a pixel of a picture
_HALF_BAR = 0.501  # of a step: bars overlap a little, so that nothing shines through
_ASIDE_MM = 1e-3  # the face lies a hair before the cut, so that no edge shines through it
_SLIVER_MM = 1e-6
_SLICES = 40  # in which the place of a cut is searched: a millimetre or two each
_SEARCH = (0.25, 0.6)  # of the footprint from back to front: both branches of an arch are cut
_TINY, _UPRIGHT = 1e-12, np.array([0.0, 0.0, 1.0])
_SAME_DIGITS = 6  # of mm: what a cut made twice, once for each triangle, is the same corner
# Marks are small, and there are many: few corners each. A shape is the hull of its corners, one
# high and wide: a box and a cone that stand on 0, a ball round it.
_TURN = np.arange(10) * 2.0 * np.pi / 10
_FALL, _ROUND = np.meshgrid(np.linspace(0.0, np.pi, 5), _TURN, indexing="ij")
_BOX = np.array([[x, y, z] for z in (0, 1) for y in (-0.5, 0.5) for x in (-0.5, 0.5)])
_CONE = np.vstack([np.zeros(3), np.stack([np.cos(_TURN) / 2, np.sin(_TURN) / 2, np.ones(10)], 1)])
_SPHERE = [np.sin(_FALL) * np.cos(_ROUND), np.sin(_FALL) * np.sin(_ROUND), np.cos(_FALL)]
_BALL = np.stack(_SPHERE, axis=-1).reshape(-1, 3) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """A surface: its corners (n, 3), and for each triangle the numbers (m, 3) of its three."""

    points_mm: Floats
    triangles: Ints

    def normals(self) -> Floats:
        """Give the way out at every corner, the mean of its triangles weighted by area.

        Upright where a corner has no triangle.
        """
        a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
        count, corner = len(self.triangles), self.triangles.ravel()
        own = np.ones(3 * count), (corner, np.repeat(np.arange(count), 3))
        total = coo_array(own, shape=(len(self.points_mm), count)) @ np.cross(b - a, c - a)
        length = np.linalg.norm(total, axis=1)[:, None]
        return np.where(length > _TINY, total / np.maximum(length, _TINY), _UPRIGHT)


NOTHING = Mesh(points_mm=np.zeros((0, 3)), triangles=np.zeros((0, 3), dtype=np.int64))


class Look(NamedTuple):
    """How a block looks, what the legend says, and the shape that tells it without its colour."""

    colour: str
    says: str
    shape: str


LOOKS = {
    IMPRESSION: Look("#8d7fae", "impression", "plain"),
    STONE: Look("#dfc07c", "stone", "plain"),
    CUT_FACE: Look("#f7e9c4", "stone, cut", "hatched"),
    BASE_LINE: Look(INK, "base line", "line"),
    EXCESS: Look("#d55e00", "rim to cut", "pegs"),
    BOXING: Look("#0072b2", "box in here", "fence"),
    HOLES: Look("#000000", "not in the scan", "dots"),
    UNDERCUTS: Look("#009e73", "undercut below", "dots"),
    AIR: Look("#cc79a7", "air stays here", "ball"),
    PREPARED: Look("#56b4e9", "prepared tooth", "ring"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DisplayFrame:
    """The frame of drawings: x to the right, y to the front, z up, 0 in the middle of the dial.

    Its axes are the rows of `turn`, its origin is `middle_mm`, both in the cavity's frame.
    """

    turn: Floats
    middle_mm: Floats

    def drawn(self, points_mm: Floats) -> Floats:
        """Bring points (n, 3) from the cavity's frame into the drawing."""
        return np.asarray((points_mm - self.middle_mm) @ self.turn.T)

    def undrawn(self, points_mm: Floats) -> Floats:
        """Bring points (n, 3) from the drawing back into the cavity's frame."""
        return np.asarray(points_mm @ self.turn + self.middle_mm)


def on_base_line(base: BasePlane, points_mm: Floats) -> Floats:
    """Move points, (n, 2) or (n, 3) in the cavity's frame, along z onto the base line."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    return np.stack([x, y, base.level_mm(x, y)], axis=1)


def display_frame_of(cavity: Cavity) -> DisplayFrame:
    """Stand a cavity with 12 of its dial to the front and its base line through the origin."""
    ahead_x, ahead_y = (float(v) for v in cavity.clock.front)
    return DisplayFrame(
        turn=np.array([[ahead_y, -ahead_x, 0.0], [ahead_x, ahead_y, 0.0], [0.0, 0.0, 1.0]]),
        middle_mm=on_base_line(cavity.base, np.array([cavity.clock.centre_mm]))[0],
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """One thing that is drawn, in the drawing's frame; its name is the same in legends and tests.

    Its lines are (k, 2, 3) ends; heights (n,) of its corners over the base line, where shown.
    """

    name: str
    mesh: Mesh
    lines_mm: Floats = field(default_factory=lambda: np.zeros((0, 2, 3)))
    heights_mm: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """All that is drawn of one cavity, by name; what there is none of is left out.

    Its lowest is the stone's deepest place under the base line: a scan may hold more below.
    """

    cavity: Cavity
    base: BasePlane
    stand: DisplayFrame
    blocks: dict[str, Block]
    lowest_mm: float


def scene_of(
    cavity: Cavity,
    base: BasePlane | None = None,
    skin: Mesh | None = None,
    marks: Sequence[Place] = (),
) -> Scene:
    """Turn one cavity into blocks, for another base line too, or an impression drawn already.

    Prepared teeth are drawn at their `marks`, in the scan's own frame.
    """
    stand = display_frame_of(cavity)
    base = cavity.base if base is None else base
    drawn = draw_impression(cavity) if skin is None else skin
    heights = base.heights_mm(*stand.undrawn(drawn.points_mm).T) * base.upright
    stone_mm = stone_heights_mm(cavity, base)
    top = _top(cavity, base, stand, stone_mm)
    blocks = [
        Block(name=IMPRESSION, mesh=drawn, heights_mm=heights),
        Block(name=STONE, mesh=top),
        Block(name=BASE_LINE, mesh=NOTHING, lines_mm=edges_of(top)),
        *_marks(cavity, base, stand, marks),
    ]
    return Scene(
        cavity=cavity,
        base=base,
        stand=stand,
        blocks={block.name: block for block in blocks},
        lowest_mm=min(float(stone_mm.min()), 0.0) * base.upright,
    )


def draw_impression(cavity: Cavity) -> Mesh:
    """Draw the impression itself, which does not change when the base line moves."""
    skin = welded(cavity.skin.corners_mm)
    return replace(skin, points_mm=display_frame_of(cavity).drawn(skin.points_mm))


def stone_heights_mm(cavity: Cavity, base: BasePlane) -> Floats:
    """Give the floor's height over the base line, along z, in every cell that stone may cover.

    Of the grid's shape; above zero beside the footprint, where none stands.
    """
    x, y = cavity.relief.grid.centres_mm()
    over = base.heights_mm(x, y, cavity.relief.top_mm)
    poured = (cavity.footprint.inside & ~cavity.rim.land).astype(np.float64)
    reach = min(EVEN_OUT_MM / cavity.relief.grid.pitch_mm, EVEN_OUT_CELLS)
    beside = 0.5 - gaussian_filter(poured, reach)  # below zero well inside
    return np.asarray(np.maximum(over, _BESIDE_MM * beside))


def _top(cavity: Cavity, base: BasePlane, stand: DisplayFrame, stone_mm: Floats) -> Mesh:
    """Lay the stone's level top; its edge is where the floor comes up through it."""
    # Parts that lie on the flange are raised over the line: as good as nothing stands on them.
    parts, count = label(stone_mm < 0.0)
    numbers, room = np.arange(count + 1), np.minimum(stone_mm, 0.0)
    skims = minimum(stone_mm, parts, numbers) > _SKIM_SHARE * stone_mm.min()
    skims &= sum_labels(room, parts, numbers) >= _SKIM_ROOM * room.sum()
    heights_mm = np.where(skims[parts], np.abs(stone_mm), stone_mm)
    x, y = cavity.relief.grid.centres_mm()
    top = part_below(grid_mesh(x[0], y[:, 0]), heights_mm.ravel())
    return replace(top, points_mm=stand.drawn(on_base_line(base, top.points_mm)))


def _marks(
    cavity: Cavity, base: BasePlane, stand: DisplayFrame, marks: Sequence[Place]
) -> list[Block]:
    crest, relief, rooms = cavity.rim.crest_mm, cavity.relief, cavity.rooms
    off = {"cut": np.zeros(len(crest), dtype=bool), "box": np.zeros(len(crest), dtype=bool)}
    for what, _, cells in worked(cavity, base.heights_mm(*crest.T) * base.upright):
        off[what] |= cells
    # A thick line along the crest, and pegs that point down to it.
    high = stand.drawn(crest[off["cut"]])
    line = _copies(_BALL, high + _LIFT_MM * _UPRIGHT, _DOT_MM)
    tips = high[spaced(high, _PEG_APART_MM)] + _DOT_MM * _UPRIGHT
    pegs = _copies(_CONE, tips, (_PEG_WIDTH_MM, _PEG_WIDTH_MM, _PEG_MM))
    # Boards between crest and base line, and taller posts.
    low = crest[off["box"]]
    feet, tops = stand.drawn(low), stand.drawn(on_base_line(base, low))[:, 2]
    posts = spaced(feet, _POST_APART_MM)
    fence = [
        _pickets(feet, tops, _BOARD_CELLS * relief.grid.pitch_mm),
        _pickets(feet[posts], tops[posts] + _POST_OVER_MM, _POST_WIDTH_MM),
    ]
    unseen = relief.hole & cavity.footprint.inside
    unseen |= relief.grid.map_of(rooms.cell[rooms.filled & rooms.assumed])
    held = rooms.filled & (reach_mm(rooms) >= LOCKED_MM)  # as words tell it
    # A ball over the middle of the air that stays, where that was worth a note.
    air, place = NOTHING, cavity.air.place_mm
    if place is not None and any(note.code == "air-trap" for note in cavity.notes):
        cell = relief.grid.cells_of(place[:1], place[1:])
        over = relief.top_mm.ravel()[cell] + _AIR_MM / 2.0
        air = _copies(_BALL, stand.drawn(np.array([[*place, *over]])), _AIR_MM)
    meshes = {
        EXCESS: joined([line, pegs]),
        BOXING: joined(fence),
        HOLES: _dots(unseen, cavity, stand),
        UNDERCUTS: _dots(relief.grid.map_of(rooms.cell[held]), cavity, stand),
        AIR: air,
        PREPARED: _stakes(cavity.frame.to_frame(np.reshape(marks, (-1, 3)).T).T, base, stand),
    }
    return [Block(name=name, mesh=mesh) for name, mesh in meshes.items() if len(mesh.triangles)]


def _stakes(places_mm: Floats, base: BasePlane, stand: DisplayFrame) -> Mesh:
    """Set a stake with a ring round its top at places, (n, 3): seen from above, and from aside."""
    feet, level = stand.drawn(places_mm), stand.drawn(on_base_line(base, places_mm))[:, 2]
    tops = np.maximum(feet[:, 2], level) + _STAKE_OVER_MM
    turn = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))], axis=1) * _RING_MM / 2.0
    heads = np.column_stack([feet[:, :2], tops])
    around = (heads[:, None] + ring).reshape(-1, 3)
    wide_mm = _STAKE_WIDTH_MM / 2.0
    return joined([_pickets(feet, tops, wide_mm), _copies(_BALL, around, wide_mm)])


def _dots(cells: Bools, cavity: Cavity, stand: DisplayFrame) -> Mesh:
    x, y = (v[cells] for v in cavity.relief.grid.centres_mm())
    places = np.stack([x, y, cavity.relief.top_mm[cells] + _LIFT_MM], axis=1)
    return _copies(_BALL, stand.drawn(places[spaced(places, _DOT_APART_MM)]), _DOT_MM)


def worked(cavity: Cavity, over_mm: Floats) -> list[tuple[str, Bools, Bools]]:
    """Find what is cut or boxed in where the crest stands so high over a base line, (m,)."""
    return stretches_off(
        cavity.footprint.border,
        over_mm,
        cavity.relief.grid.pitch_mm,
        cut_over_mm=cavity.trim.cut_over_mm,
        box_under_mm=cavity.trim.box_under_mm,
    )


def best_cut_mm(cavity: Cavity) -> float:
    """Choose where along the drawing's y a cut shows most stone."""
    x, y = cavity.relief.grid.centres_mm()
    depth = np.maximum(-stone_heights_mm(cavity, cavity.base), 0.0)
    filled = depth > 0.0
    if not filled.any():
        return 0.0
    places = np.stack([x[filled], y[filled], np.zeros(int(filled.sum()))], axis=1)
    ahead = display_frame_of(cavity).drawn(places)[:, 1]
    low, high = float(ahead.min()), float(ahead.max())
    sought = (low + _SEARCH[0] * (high - low), low + _SEARCH[1] * (high - low))
    held, edges = np.histogram(ahead, bins=_SLICES, range=sought, weights=depth[filled])
    best = int(np.argmax(held))
    return float(edges[best] + edges[best + 1]) / 2.0


def cut_open(scene: Scene, at_mm: float) -> dict[str, Block]:
    """Take away what lies behind a cut across the drawing's y, and close the stone there."""
    blocks = dict(scene.blocks)
    for name, block in scene.blocks.items():
        mesh, lines = block.mesh, block.lines_mm[(block.lines_mm[:, :, 1] > at_mm).all(axis=1)]
        if name in (IMPRESSION, STONE):
            mesh = part_below(mesh, at_mm - mesh.points_mm[:, 1])
        elif name != BASE_LINE:  # a mark is seen whole, or not at all
            ahead = (mesh.points_mm[mesh.triangles, 1] > at_mm).all(axis=1)
            mesh = replace(mesh, triangles=mesh.triangles[ahead])
        if name == IMPRESSION:  # the edges that the cut made
            beside = (mesh.points_mm[mesh.triangles, 1] < at_mm + _SLIVER_MM).any(axis=1)
            edges = edges_of(replace(mesh, triangles=mesh.triangles[beside]))
            on_cut = (np.abs(edges[:, :, 1] - at_mm) < _SLIVER_MM).all(axis=1)
            lines = edges[on_cut] - (0.0, 2.0 * _ASIDE_MM, 0.0)
        blocks[name] = Block(name=name, mesh=mesh, lines_mm=lines)
    blocks[CUT_FACE] = Block(name=CUT_FACE, mesh=_face(scene, at_mm))
    return blocks


def _face(scene: Scene, at_mm: float) -> Mesh:
    """Fill the stone's cut face with upright bars, as the measured columns say where stone is."""
    cavity, stand = scene.cavity, scene.stand
    corners = np.einsum("ij,jkn->ikn", stand.turn, cavity.skin.corners_mm)
    corners -= (stand.turn @ stand.middle_mm)[:, None, None]
    low, high = float(corners[0].min()), float(corners[0].max())
    row = Grid(pitch_mm=_STEP_MM, low_mm=(low, at_mm), shape=(1, int((high - low) / _STEP_MM) + 1))
    columns = cut_columns(corners, row)
    # What faces up is a floor, and what comes next over it its roof.
    x, floor = np.asarray(low + columns.cell * _STEP_MM), columns.z_mm
    places = stand.undrawn(np.stack([x, np.full(len(x), at_mm), floor], axis=1))
    level = stand.drawn(on_base_line(scene.base, places))[:, 2]
    roof = np.append(floor[1:], np.inf)[: len(floor)]
    roof[np.diff(columns.cell, append=-1) != 0] = np.inf
    grid, rooms = cavity.rooms.grid, cavity.rooms
    at, poured = grid.cells_of(*places.T[:2]), cavity.footprint.inside & ~cavity.rim.land
    roofed = grid.map_of(rooms.cell[rooms.filled & np.isfinite(rooms.roof_mm)])
    # An undercut narrower than a cell may fall between the cells' middles: neighbours count.
    roofed = binary_dilation(roofed, np.ones((3, 3)))
    stone = np.where(np.isinf(roof), poured.ravel()[at], roofed.ravel()[at])
    stone &= columns.up & (floor < level)
    x, ends = x[stone], (floor[stone], np.minimum(roof[stone], level[stone]))
    half, y, n = _HALF_BAR * _STEP_MM, np.full(len(x), at_mm - _ASIDE_MM), len(x)
    points = [np.stack([x + side, y, z], 1) for z in ends for side in (-half, half)]
    k = np.arange(n)
    both = [np.stack([k, n + k, 3 * n + k], 1), np.stack([k, 3 * n + k, 2 * n + k], 1)]
    return Mesh(points_mm=np.concatenate(points), triangles=np.concatenate(both))


def welded(corners_mm: Floats) -> Mesh:
    """Join the corners (3, 3, n: coordinate, corner, triangle) that triangles share.

    Shading then runs smoothly over them.
    """
    soup = corners_mm.transpose(2, 1, 0).reshape(-1, 3)
    order = np.lexsort(soup.T)
    ordered = soup[order]
    first = np.append(True, np.any(ordered[1:] != ordered[:-1], axis=1))
    number = np.empty(len(soup), dtype=np.int64)
    number[order] = np.cumsum(first) - 1
    return Mesh(points_mm=ordered[first], triangles=number.reshape(-1, 3))


def part_below(mesh: Mesh, values: Floats) -> Mesh:
    """Cut a surface where a value known at its corners is zero, and keep the part below."""
    under = values[mesh.triangles] < 0.0  # (m, 3)
    count = under.sum(axis=1)
    is_cut = (count > 0) & ~under.all(axis=1)
    is_tip = count[is_cut] == 1  # one corner is below, else two are
    lone = np.argmax(under[is_cut] == is_tip[:, None], axis=1)
    n = len(lone)
    a, b, c = (mesh.triangles[is_cut][np.arange(n), (lone + k) % 3] for k in range(3))
    ends = [
        mesh.points_mm[a]
        + (values[a] / (values[a] - values[to]))[:, None] * (mesh.points_mm[to] - mesh.points_mm[a])
        for to in (b, c)
    ]
    ab, ac = len(mesh.points_mm) + np.arange(2 * n).reshape(2, n)
    kept = [
        mesh.triangles[under.all(axis=1)],
        np.stack([a, ab, ac], axis=1)[is_tip],
        np.stack([ab, b, c], axis=1)[~is_tip],
        np.stack([ab, c, ac], axis=1)[~is_tip],
    ]
    return Mesh(points_mm=np.concatenate([mesh.points_mm, *ends]), triangles=np.concatenate(kept))


def edges_of(mesh: Mesh) -> Floats:
    """Find the two ends (k, 2, 3) of each edge of a welded surface that has one triangle only."""
    _, number = np.unique(np.round(mesh.points_mm, _SAME_DIGITS), axis=0, return_inverse=True)
    number = number.reshape(-1)
    sides = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    pairs = np.sort(number[sides], axis=1)
    real = pairs[:, 0] != pairs[:, 1]
    _, first, count = np.unique(pairs[real], axis=0, return_index=True, return_counts=True)
    return np.asarray(mesh.points_mm[sides[real][first[count == 1]]])


def grid_mesh(x_mm: Floats, y_mm: Floats) -> Mesh:
    """Lay a level net of triangles at height 0, its corners row by row."""
    x, y = np.meshgrid(x_mm, y_mm)
    number = np.arange(x.size).reshape(x.shape)
    squares = number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]
    a, b, c, d = (corner.ravel() for corner in squares)
    return Mesh(
        points_mm=np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1),
        triangles=np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]),
    )


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Put surfaces into one."""
    meshes = [NOTHING, *meshes]
    before = np.cumsum([0, *(len(mesh.points_mm) for mesh in meshes[:-1])])
    numbers = [mesh.triangles + at for mesh, at in zip(meshes, before, strict=True)]
    return Mesh(
        points_mm=np.concatenate([mesh.points_mm for mesh in meshes]),
        triangles=np.concatenate(numbers),
    )


def spaced(places_mm: Floats, apart_mm: float) -> Ints:
    """Choose places (n, 2) or (n, 3) that stand about evenly apart in x and y; give their numbers.

    >>> spaced(np.array([[0.0, 0.0], [0.5, 0.0], [3.0, 0.0]]), 1.0).tolist()
    [0, 2]
    """
    taken: list[int] = []
    for k, place in enumerate(places_mm[:, :2]):
        if not taken or np.hypot(*(places_mm[taken, :2] - place).T).min() >= apart_mm:
            taken.append(k)
    return np.array(taken, dtype=np.int64)


def _pickets(feet_mm: Floats, tops_mm: Floats, width_mm: float) -> Mesh:
    """Raise upright square posts from the middles (n, 3) of their feet up to their tops (n,)."""
    wide = np.full(len(feet_mm), width_mm)
    return _copies(_BOX, feet_mm, np.stack([wide, wide, tops_mm - feet_mm[:, 2]], axis=1))


def _copies(
    shape: Floats, places_mm: Floats, sizes_mm: Floats | tuple[float, float, float] | float
) -> Mesh:
    """Set the hull of a shape's corners, (k, 3), at places, (n, 3), in one size or each in its."""
    hull = ConvexHull(shape)
    sides = hull.simplices.astype(np.int64)
    a, b, c = (shape[sides[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0.0
    sides[inward] = sides[inward, ::-1]
    sizes = np.broadcast_to(sizes_mm, places_mm.shape)
    points = places_mm[:, None, :] + shape[None] * sizes[:, None, :]  # (n, corners, 3)
    first = np.arange(len(places_mm))[:, None, None] * len(shape)
    return Mesh(points_mm=points.reshape(-1, 3), triangles=(sides[None] + first).reshape(-1, 3))
