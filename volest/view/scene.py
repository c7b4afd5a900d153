"""What is drawn of a cavity: its records turned into named blocks; no display is needed here."""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import gaussian_filter

from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Bools
from volest.cavity.frame import Floats
from volest.cavity.trim import LEVEL_MM
from volest.pipeline import Cavity
from volest.view.mesh import (
    Mesh,
    balls,
    edges_of,
    grid_mesh,
    joined,
    part_below,
    pegs,
    pickets,
    spaced,
    welded,
)
from volest.view.stand import Stand, on_base_line, stand_of

IMPRESSION, STONE, BASE_LINE, CUT_FACE = "impression", "stone", "base line", "cut face"
EXCESS, BOXING, HOLES, UNDERCUTS, AIR = "excess", "boxing", "holes", "undercuts", "air"
_PEG_APART_MM, _PEG_MM, _PEG_WIDTH_MM = 4.0, 3.0, 1.8
_POST_APART_MM, _POST_OVER_MM, _POST_WIDTH_MM = 3.0, 1.4, 0.9
_BOARD_CELLS = 1.3  # boards overlap a little, so that a fence has no gaps
_DOT_APART_MM, _DOT_MM, _AIR_MM = 1.3, 0.9, 3.0
_LIFT_MM = 0.15  # over the surface, so that a mark is not half sunk into it
_BESIDE_MM = 200.0  # beyond the footprint no stone stands, however deep it is there
# How far the stone's edge is evened out, so that it does not follow the corners of the cells.
_EVEN_OUT_MM, _EVEN_OUT_CELLS = 0.8, 2.0


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
    """All that is drawn of one cavity, by name; what there is none of is left out."""

    stand: Stand
    blocks: dict[str, Block]


def scene_of(cavity: Cavity, base: BasePlane | None = None, skin: Mesh | None = None) -> Scene:
    """Turn one cavity into blocks, for another base line too, or an impression drawn already."""
    stand = stand_of(cavity.clock, cavity.base)
    base = cavity.base if base is None else base
    drawn = draw_impression(cavity, stand) if skin is None else skin
    heights = base.heights_mm(*stand.undrawn(drawn.points_mm).T) * base.upright
    cap = _cap(cavity, base, stand)
    blocks = [
        Block(name=IMPRESSION, mesh=drawn, heights_mm=heights),
        Block(name=STONE, mesh=cap),
        Block(name=BASE_LINE, mesh=joined([]), lines_mm=edges_of(cap)),
        *_marks(cavity, base, stand),
    ]
    return Scene(stand=stand, blocks={block.name: block for block in blocks})


def draw_impression(cavity: Cavity, stand: Stand) -> Mesh:
    """Draw the impression itself, which does not change when the base line moves."""
    skin = welded(cavity.skin.corners_mm)
    return replace(skin, points_mm=stand.drawn(skin.points_mm))


def stone_heights_mm(cavity: Cavity, base: BasePlane) -> Floats:
    """Give the floor's height over the base line, along z, in every cell that stone may cover.

    Of the grid's shape; above zero beside the footprint, where none stands.
    """
    x, y = cavity.relief.grid.centres_mm()
    over = base.heights_mm(x, y, cavity.relief.top_mm)
    poured = (cavity.footprint.inside & ~cavity.rim.land).astype(np.float64)
    reach = min(_EVEN_OUT_MM / cavity.relief.grid.pitch_mm, _EVEN_OUT_CELLS)
    beside = 0.5 - gaussian_filter(poured, reach)  # below zero well inside
    return np.asarray(np.maximum(over, _BESIDE_MM * beside))


def _cap(cavity: Cavity, base: BasePlane, stand: Stand) -> Mesh:
    """Lay the stone's level top; its edge is where the floor comes up through it."""
    grid = cavity.relief.grid
    x, y = grid.centres_mm()
    level = part_below(grid_mesh(x[0], y[:, 0]), stone_heights_mm(cavity, base).ravel())
    return replace(level, points_mm=stand.drawn(on_base_line(base, level.points_mm)))


def _marks(cavity: Cavity, base: BasePlane, stand: Stand) -> list[Block]:
    crest = cavity.rim.crest_mm
    over = base.heights_mm(*crest.T) * base.upright
    relief, rooms = cavity.relief, cavity.rooms
    roofed = np.zeros(relief.hole.size, dtype=bool)
    roofed[rooms.cell[rooms.filled & (rooms.roof_mm < 0.0)]] = True
    unseen = relief.hole & cavity.footprint.inside
    unseen.ravel()[rooms.cell[rooms.filled & rooms.assumed]] = True
    meshes = {
        EXCESS: _excess(stand.drawn(crest[over > LEVEL_MM])),
        BOXING: _fence(crest[over < -LEVEL_MM], base, stand, relief.grid.pitch_mm),
        HOLES: _dots(unseen, cavity, stand),
        UNDERCUTS: _dots(roofed.reshape(relief.hole.shape), cavity, stand),
        AIR: _air(cavity, stand),
    }
    return [Block(name=name, mesh=mesh) for name, mesh in meshes.items() if len(mesh.triangles)]


def _excess(crest_mm: Floats) -> Mesh:
    """Mark the crest by a thick line and pegs that point down to it."""
    line = balls(crest_mm + np.array([0.0, 0.0, _LIFT_MM]), _DOT_MM)
    tips = crest_mm[spaced(crest_mm, _PEG_APART_MM)] + np.array([0.0, 0.0, _DOT_MM])
    return joined([line, pegs(tips, _PEG_MM, _PEG_WIDTH_MM)])


def _fence(crest_mm: Floats, base: BasePlane, stand: Stand, pitch_mm: float) -> Mesh:
    """Fill the gap between crest and base line with boards and taller posts."""
    feet, tops = stand.drawn(crest_mm), stand.drawn(on_base_line(base, crest_mm))[:, 2]
    posts = spaced(feet, _POST_APART_MM)
    return joined(
        [
            pickets(feet, tops, _BOARD_CELLS * pitch_mm),
            pickets(feet[posts], tops[posts] + _POST_OVER_MM, _POST_WIDTH_MM),
        ]
    )


def _air(cavity: Cavity, stand: Stand) -> Mesh:
    """Set a ball over the middle of the air that stays, where that was worth a note."""
    place = cavity.air.place_mm
    if place is None or not any(note.code == "air-trap" for note in cavity.notes):
        return joined([])
    cell = cavity.relief.grid.cells_of(place[:1], place[1:])
    over = cavity.relief.top_mm.ravel()[cell] + _AIR_MM / 2.0
    return balls(stand.drawn(np.array([[*place, *over]])), _AIR_MM)


def _dots(cells: Bools, cavity: Cavity, stand: Stand) -> Mesh:
    x, y = (v[cells] for v in cavity.relief.grid.centres_mm())
    places = np.stack([x, y, cavity.relief.top_mm[cells] + _LIFT_MM], axis=1)
    return balls(stand.drawn(places[spaced(places, _DOT_APART_MM)]), _DOT_MM)
