"""A cut through impression and stone, upright and across the front."""

import numpy as np
from scipy.ndimage import binary_dilation

from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Bools, Grid, cut_columns
from volest.cavity.frame import Floats
from volest.pipeline import Cavity
from volest.view.mesh import Mesh, chosen, edges_of, joined, part_below
from volest.view.scene import BASE_LINE, CUT_FACE, IMPRESSION, STONE, Block, Scene, stone_heights_mm
from volest.view.stand import Stand, on_base_line

_STEP_MM = 0.05  # about a pixel of a picture
_HALF_BAR = 0.501  # of a step: bars overlap a little, so that nothing shines through
_ASIDE_MM = 1e-3  # the face lies a hair before the cut, so that no edge shines through it
_SLIVER_MM = 1e-6
_SLICES = 40  # in which the place of a cut is searched: a millimetre or two each
_SEARCH = (0.25, 0.6)  # of the footprint from back to front: both branches of an arch are cut


def best_cut_mm(cavity: Cavity, stand: Stand) -> float:
    """Choose where along the drawing's y a cut shows most stone."""
    x, y = cavity.relief.grid.centres_mm()
    depth = np.maximum(-stone_heights_mm(cavity, cavity.base), 0.0)
    filled = depth > 0.0
    if not filled.any():
        return 0.0
    ahead = stand.drawn(np.stack([x[filled], y[filled], np.zeros(int(filled.sum()))], axis=1))[:, 1]
    low, high = float(ahead.min()), float(ahead.max())
    held, edges = np.histogram(
        ahead,
        bins=_SLICES,
        range=(low + _SEARCH[0] * (high - low), low + _SEARCH[1] * (high - low)),
        weights=depth[filled],
    )
    best = int(np.argmax(held))
    return float(edges[best] + edges[best + 1]) / 2.0


def cut_open(
    scene: Scene, cavity: Cavity, at_mm: float, base: BasePlane | None = None
) -> dict[str, Block]:
    """Take away what lies behind a cut across the drawing's y, and close the stone there."""
    base = cavity.base if base is None else base
    blocks = dict(scene.blocks)
    for name, block in scene.blocks.items():
        kept = block.lines_mm[(block.lines_mm[:, :, 1] > at_mm).all(axis=1)]
        if name in (IMPRESSION, STONE):
            mesh = part_below(block.mesh, at_mm - block.mesh.points_mm[:, 1])
            profile = _profile(mesh, at_mm) if name == IMPRESSION else kept
            blocks[name] = Block(name=name, mesh=mesh, lines_mm=profile)
        elif name == BASE_LINE:
            blocks[name] = Block(name=name, mesh=block.mesh, lines_mm=kept)
        else:
            ahead = (block.mesh.points_mm[block.mesh.triangles, 1] > at_mm).all(axis=1)
            blocks[name] = Block(name=name, mesh=chosen(block.mesh, ahead))
    blocks[CUT_FACE] = Block(name=CUT_FACE, mesh=_face(cavity, base, scene.stand, at_mm))
    return blocks


def _profile(kept: Mesh, at_mm: float) -> Floats:
    """Find the edges that the cut made."""
    beside = (kept.points_mm[kept.triangles, 1] < at_mm + _SLIVER_MM).any(axis=1)
    edges = edges_of(chosen(kept, beside))
    on_cut = (np.abs(edges[:, :, 1] - at_mm) < _SLIVER_MM).all(axis=1)
    return np.asarray(edges[on_cut] - np.array([0.0, 2.0 * _ASIDE_MM, 0.0]))


def _face(cavity: Cavity, base: BasePlane, stand: Stand, at_mm: float) -> Mesh:
    """Fill the stone's cut face with upright bars, one a column of the cut."""
    places, floor, roof = _stretches(cavity, base, stand, at_mm)
    stone = _is_stone(cavity, stand, places, floor, roof)
    places, floor, roof = places[stone], floor[stone], np.minimum(roof[stone], 0.0)
    zero = stand.drawn(on_base_line(base, stand.undrawn(places)))[:, 2]
    half = _HALF_BAR * _STEP_MM
    corners = [
        np.stack([places[:, 0] + side, places[:, 1] - _ASIDE_MM, zero + height], axis=1)
        for height in (floor, roof)
        for side in (-half, half)
    ]
    if not len(places):
        return joined([])
    k = np.arange(len(places))
    n = len(places)
    return Mesh(
        points_mm=np.concatenate(corners),
        triangles=np.concatenate(
            [np.stack([k, n + k, 3 * n + k], 1), np.stack([k, 3 * n + k, 2 * n + k], 1)]
        ),
    )


def _stretches(
    cavity: Cavity, base: BasePlane, stand: Stand, at_mm: float
) -> tuple[Floats, Floats, Floats]:
    """Cross the surface in the cut itself, and pair what faces up with what comes next over it."""
    corners = np.einsum("ij,jkn->ikn", stand.turn, cavity.skin.corners_mm)
    corners -= (stand.turn @ stand.middle_mm)[:, None, None]
    low, high = float(corners[0].min()), float(corners[0].max())
    row = Grid(pitch_mm=_STEP_MM, low_mm=(low, at_mm), shape=(1, int((high - low) / _STEP_MM) + 1))
    columns = cut_columns(corners, row)
    places = np.stack(
        [low + columns.cell * _STEP_MM, np.full(len(columns.cell), at_mm), columns.z_mm], axis=1
    )
    height = base.heights_mm(*stand.undrawn(places).T)
    roof = np.full(len(height), np.inf)
    same = columns.cell[1:] == columns.cell[:-1]
    roof[:-1][same] = height[1:][same]
    up = columns.up & (height < 0.0)
    return places[up], height[up], roof[up]


def _is_stone(cavity: Cavity, stand: Stand, places: Floats, floor: Floats, roof: Floats) -> Bools:
    """Ask the measured columns whether a stretch is room that stone reaches."""
    x, y, _ = stand.undrawn(places).T
    grid, rooms = cavity.rooms.grid, cavity.rooms
    poured = cavity.footprint.inside & ~cavity.rim.land
    open_top = poured.ravel()[grid.cells_of(x, y)] & np.isinf(roof)
    roofed = np.zeros(poured.shape, dtype=bool)
    roofed.ravel()[rooms.cell[rooms.filled & np.isfinite(rooms.roof_mm)]] = True
    # An undercut narrower than a cell may fall between the cells' middles: neighbours count.
    roofed = binary_dilation(roofed, np.ones((3, 3)))
    under = roofed.ravel()[grid.cells_of(x, y)] & np.isfinite(roof) & (floor < 0.0)
    return np.asarray(open_top | under)
