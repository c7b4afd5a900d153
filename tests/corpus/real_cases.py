"""Impressions as trays and scanners leave them, drawn at random by kind and number.

All are closed solids first, noise and all; what they hold is an exact boolean of their triangles
with a block below the stated plane. The scan is what is kept of them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import manifold3d
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.morphology import reconstruction

from tests.corpus.arch import Places
from tests.corpus.blend import Array, Relief
from tests.corpus.case import LOWER_ARCH, UPPER_ARCH
from tests.corpus.cross_check import crest_line
from tests.corpus.dentition import Row, stand
from tests.corpus.flow import Flow, Flowed, Pocket, Pocketed, Sampled, Studs, Tear
from tests.corpus.impression import Shell
from tests.corpus.jaw import Ridge
from tests.corpus.mesh import Mesh, cut, face_normals, largest_piece, with_noise
from tests.corpus.patching import closed_up
from tests.corpus.random_cases import SHAPES, SHARES, draw_jaw, draw_pose
from tests.corpus.scanning import Pose, view_end
from tests.corpus.sight import PIXEL_MM, directions, heights, kept, seen
from tests.corpus.surface import extract

Rng = np.random.Generator
PITCH_MM = 0.7  # spacing of the marching cubes
SENSOR_MM = 0.012  # standard deviation of a scanner's noise
POOL_MM = 3.0  # a hollow so deep is a cavity and not a dimple of the rim
PATCHED_MM = 90.0  # open borders shorter than this are closed by a scanner's program
SEPTUM_MM = 2.0  # material between the tips of an arch and the floor of a two-sided tray's half
OVERLAP_MM = 0.5  # how deep the two halves of a two-sided tray stand in one another
PIPE_CORNERS = 144  # corners of a half pipe's circle, were it whole
TRIES = 4  # how often a tray is drawn anew before something must be wrong
# A tray that holds less than this of what its heights from above promise is pierced
TIGHT_SHARE = 0.98
CLOSED_SHARE = 0.6  # how many of the ragged and unequal ones are scanned with the tray's outside


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Side:
    """One cavity: up to where it is poured, what it holds, and where its rim lies."""

    plane: Array  # point and upward normal of the stated plane in the file's frame, (6,)
    volume_ml: float  # what the whole solid holds below it: an exact boolean
    # the plane of the rim's crest: point and upward normal, (6,); least absolute deviations of the
    # crest as the field has it
    rim: Array
    stray_mm: float  # median distance of the crest from that plane
    spare_mm: float  # how far the stated plane lies below the lowest pass over the rim


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Real:
    """A made scan in the file's frame."""

    about: str  # what was drawn, in a few words
    # triangles of the scan and of the closed solids, each (m, 3, 3), in mm, rounded to 32-bit
    # floats as files hold them
    scan: Array
    solid: Array
    sides: tuple[Side, ...]  # its cavities
    lost_mm2: float = 0.0  # area of the cavity below the stated plane that is not in the scan
    patches: int = 0  # how many of the scan's last triangles are patches that no scanner saw
    owed: bool = False  # whether a note or a refusal is owed whatever is measured
    kind: str = ""  # one of `KINDS`
    seed: int = 0  # its number

    @property
    def plane(self) -> Array:
        """The first cavity's stated plane, (6,)."""
        return self.sides[0].plane

    @property
    def rim(self) -> Array:
        """The first cavity's rim plane, (6,)."""
        return self.sides[0].rim

    @property
    def volume_ml(self) -> float:
        """What all cavities hold."""
        return sum(side.volume_ml for side in self.sides)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tray:
    """One tray in the maker's frame: rim up, near z = 0."""

    impression: Flowed  # its field
    mesh: Mesh  # its closed surface
    level_mm: float  # height of the stated plane
    side: Side  # the truth about it, in the maker's frame
    # which triangles bound the cavity, (m,): below the plane by the boolean, above it inside the
    # middle of the flange
    cavity: NDArray[np.bool_]
    shape: str  # one of `tests.corpus.random_cases.SHAPES`


def real_case(seed: int, kind: str) -> Real:
    """Make a scan of a kind; the same number gives the same."""
    number, make = KINDS[kind]
    made = make(np.random.default_rng([4049, number, seed]))
    return replace(made, kind=kind, seed=seed)


def ragged_flow(rng: Rng, ridge: Ridge) -> Flow:
    """Draw a ragged flow edge, with lobes and tears now and then."""
    low = float(rng.uniform(3.0, 5.0))
    shortest = float(rng.uniform(9.0, 22.0))
    middle, reach = 0.5 * (ridge.from_mm + ridge.to_mm), 0.5 * (ridge.to_mm - ridge.from_mm)
    tears = []
    for _ in range(int(rng.choice([0, 1, 2, 4], p=[0.4, 0.25, 0.2, 0.15]))):
        tear = rng.random() < 0.6
        tears.append(
            Tear(
                at_mm=middle + float(rng.uniform(-1.0, 1.0)) * max(reach - 12.0, 2.0),
                side=1 if ridge.back_mm is not None else int(rng.choice([-1, 1])),
                half_mm=float(rng.uniform(1.5, 6.0)),
                rise_mm=float(rng.uniform(-4.5, -1.5) if tear else rng.uniform(0.8, 2.5)),
            )
        )
    return Flow(
        stray_mm=float(rng.uniform(0.3, 1.5)),
        waves_mm=(shortest, float(rng.uniform(1.2, 3.2)) * shortest),
        wall_mm=(low, float(rng.uniform(low + 0.5, 9.0))),
        tears=tuple(tears),
    )


def unequal_flow(rng: Rng, ridge: Ridge) -> Flow:
    """Draw flanges of which one is lower than the other."""
    drop = float(rng.uniform(2.0, 6.0) * rng.choice([-1, 1]))
    inner = ridge.back_mm is None and rng.random() < 0.6
    low = float(rng.uniform(3.0, 4.5))
    return Flow(
        stray_mm=float(rng.uniform(0.05, 0.3)),
        wall_mm=(low, low + float(rng.uniform(0.3, 2.0))),
        inner_drop_mm=drop if inner else 0.0,
        front_drop_mm=0.0 if inner else drop,
    )


def whole_flow(rng: Rng, ridge: Ridge) -> Flow:
    """Draw an even rim."""
    del ridge
    low = float(rng.uniform(3.2, 4.2))
    return Flow(stray_mm=float(rng.uniform(0.02, 0.15)), wall_mm=(low, low + 0.8))


# Rims that are drawn
FLOWS: dict[str, Callable[[Rng, Ridge], Flow]] = {
    "whole": whole_flow,
    "ragged": ragged_flow,
    "unequal": unequal_flow,
}


def pocket_under(rng: Rng, recede_mm: float) -> Pocket:
    """Draw where walls draw back under the rim."""
    begin = float(rng.uniform(0.3, 2.0))
    full = begin + float(rng.uniform(1.5, 4.0))
    back = full + float(rng.uniform(1.0, 5.0))
    return Pocket(recede_mm=recede_mm, begin_mm=begin, full_mm=full, back_mm=back)


def make_tray(
    rng: Rng,
    flow_kind: str,
    *,
    recede_mm: float = 0.0,
    shape: str | None = None,
    amend: Callable[[Row, Flow, Shell], tuple[Flow, Shell]] | None = None,
) -> Tray:
    """Draw a tray with its impression, mesh it, and measure what it holds; tight ones only."""
    for _ in range(TRIES):
        drawn = str(rng.choice(SHAPES, p=SHARES)) if shape is None else shape
        tray = _any_tray(rng, flow_kind, drawn, recede_mm, amend)
        if tray is not None:
            return tray
    raise ValueError(f"{TRIES} trays in turn were pierced")


def _any_tray(
    rng: Rng,
    flow_kind: str,
    shape: str,
    recede_mm: float,
    amend: Callable[[Row, Flow, Shell], tuple[Flow, Shell]] | None,
) -> Tray | None:
    """Draw a tray; none if a tooth stands out of it or the boolean and the heights differ."""
    row, ridge = draw_jaw(rng, shape)
    pocket = pocket_under(rng, recede_mm)
    flow = FLOWS[flow_kind](rng, ridge)
    handle = shape in ("upper", "lower") and bool(rng.random() < 0.4)
    shell = Shell(floor_mm=row.tips_mm + float(rng.uniform(3.5, 6.0)), handle=handle)
    if amend is not None:
        flow, shell = amend(row, flow, shell)
    arch = UPPER_ARCH if row.jaw == "upper" else LOWER_ARCH
    teeth = stand(row, arch, rng)
    jaw = Pocketed(arch=arch, ridge=ridge, teeth=teeth, rng=rng, pocket=pocket)
    impression = Flowed(jaw=jaw, flow=flow, rng=rng, shell=shell)
    box = box_round(impression)
    mesh = largest_piece(extract(Sampled(impression, box, PITCH_MM), box, PITCH_MM))
    mesh = with_noise(mesh, rng, float(rng.uniform(0.003, 0.015)))
    height, filled = flooded(mesh)
    if not (filled - height > POOL_MM).any():
        return None  # it runs out
    spare_mm = float(rng.uniform(0.2, 1.0))
    level_mm = float(filled[filled - height > POOL_MM].min()) - spare_mm
    rim, stray_mm = crest_plane(crest_points(impression, box))
    middle = mesh.vertices.mean(axis=0)
    volume_ml, wet = held(mesh, level_mm)
    side = Side(
        plane=np.array([middle[0], middle[1], level_mm, 0.0, 0.0, 1.0]),
        volume_ml=volume_ml,
        rim=rim,
        stray_mm=stray_mm,
        spare_mm=spare_mm,
    )
    wet_mm = np.where(filled > level_mm, level_mm - height, 0.0).clip(0.0)
    if not volume_ml > TIGHT_SHARE * wet_mm.sum() * PIXEL_MM**2 / 1000.0:
        return None
    return Tray(
        impression=impression,
        mesh=mesh,
        level_mm=level_mm,
        side=side,
        cavity=np.where(
            (mesh.corners[:, :, 2] < level_mm).any(axis=1), wet, inside_crest(impression, mesh)
        ),
        shape=shape,
    )


def box_round(impression: Flowed) -> Array:
    """Give a box round all of a tray, (2, 3), in mm."""
    axis = np.arange(-75.0, 75.0, 1.5)
    east, north = (part.ravel() for part in np.meshgrid(axis, axis, indexing="ij"))
    places = impression.arch.places(east, north)
    wall_mm = impression.wall_mm(places)
    shell = impression.shell
    floor_mm = 30.0 if shell is None else shell.floor_mm
    out_mm = 3.0 + 0.06 * floor_mm + impression.walls.pocket.recede_mm
    near = (impression.crest(places) - 0.5 * wall_mm).ravel() < out_mm
    level = impression.rim_level(places).ravel()[near].max()
    handle_mm = 24.0 if shell is not None and shell.handle else 0.0
    return np.array(
        [
            [east[near].min() - 2.0, north[near].min() - 2.0, -floor_mm - 1.5],
            [east[near].max() + 2.0, north[near].max() + 2.0 + handle_mm, level + 1.0],
        ]
    )


def inside_crest(impression: Flowed, mesh: Mesh) -> NDArray[np.bool_]:
    """Tell which triangles lie inside the middle of the flange and are not the tray's bottom."""
    middle = mesh.corners.mean(axis=1)
    within = impression.inside(impression.arch.places(middle[:, 0], middle[:, 1])).ravel()
    floor_mm = 30.0 if impression.shell is None else impression.shell.floor_mm
    under = (middle[:, 2] < 4.0 - floor_mm) & (face_normals(mesh)[:, 2] < 0.0)
    bounds: NDArray[np.bool_] = within & ~under
    return bounds


def flooded(mesh: Mesh) -> tuple[Array, Array]:
    """Give a closed tray's height over a grid of pixels, and to where each would fill up."""
    height = heights(mesh)
    height = np.where(np.isfinite(height), height, mesh.vertices[:, 2].min() - 5.0)
    start = np.full_like(height, height.max())
    start[[0, -1]], start[:, [0, -1]] = height[[0, -1]], height[:, [0, -1]]
    return height, reconstruction(start, height, method="erosion")


def manifold(mesh: Mesh) -> manifold3d.Manifold:
    """Give a closed mesh as the exact boolean takes it."""
    faces = mesh.faces.astype(np.uint64)
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=mesh.vertices, tri_verts=faces))
    if solid.status() != manifold3d.Error.NoError:
        raise ValueError(f"not a closed mesh: {solid.status()}")
    return solid


def held(mesh: Mesh, level_mm: float) -> tuple[float, NDArray[np.bool_]]:
    """Give what closed trays hold below a level plane in mL, by an exact boolean, and on what.

    Of the block under the plane less the trays, the cavity is what does not reach the block's sides
    but reaches the plane. The flags, (m,), tell which triangles touch it.
    """
    low, high = mesh.vertices.min(axis=0) - 5.0, mesh.vertices.max(axis=0) + 5.0
    high[2] = level_mm
    block = manifold3d.Manifold.cube(high - low).translate(low)
    total_ml = 0.0
    wet = np.zeros(len(mesh.vertices), dtype=bool)
    tree = cKDTree(mesh.vertices)
    for piece in (block - manifold(mesh)).decompose():
        ends = np.array(piece.bounding_box()).reshape(2, 3)
        sides = (ends[0, :2] < low[:2] + 1.0).any() or (ends[1, :2] > high[:2] - 1.0).any()
        if not sides and ends[1, 2] > level_mm - 1e-6:
            total_ml += piece.volume() / 1000.0
            apart, number = tree.query(np.asarray(piece.to_mesh64().vert_properties)[:, :3])
            wet[number[apart < 1e-7]] = True
    return total_ml, np.asarray(wet[mesh.faces].any(axis=1))


def crest_points(impression: Flowed, box: Array) -> Array:
    """Give the highest point of the flange every millimetre or so of its way round, (k, 3)."""
    line = crest_line(impression, box)
    apart = np.linalg.norm(np.diff(line, axis=0, append=line[:1]), axis=1)
    wanted = np.arange(0.0, apart.sum(), 1.0)
    length = np.concatenate([[0.0], np.cumsum(apart)])
    ring = np.concatenate([line, line[:1]])
    spot = np.column_stack([np.interp(wanted, length, ring[:, axis]) for axis in (0, 1)])
    smooth = np.roll(spot, -2, axis=0) - np.roll(spot, 2, axis=0)
    normal = np.column_stack([smooth[:, 1], -smooth[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    shares = np.linspace(-0.5, 0.5, 15)
    wall = impression.wall_mm(impression.arch.places(*spot.T))  # (k, 1)
    across = spot[:, None] + (wall * shares)[:, :, None] * normal[:, None]
    flat = across.reshape(-1, 2)
    top = tops(impression, impression.arch.places(*flat.T), box).reshape(len(spot), -1)
    best = np.argmax(top, axis=1)
    rows = np.arange(len(spot))
    return np.column_stack([across[rows, best], top[rows, best]])


def tops(impression: Flowed, places: Places, box: Array) -> Array:
    """Give the height at which columns from above meet material, (n,); the box's floor if none."""
    levels = np.arange(box[1, 2] + 1.0, -16.0, -0.15)
    material = impression.field(places, levels[None])
    first = np.argmax(material < 0.0, axis=1)
    rows = np.arange(len(first))
    above, below = material[rows, first - 1], material[rows, first]
    height: Array = levels[first] + 0.15 * below / (below - above)
    return np.where((material < 0.0).any(axis=1), height, box[0, 2])


def crest_plane(points: Array) -> tuple[Array, float]:
    """Fit z = a x + b y + c by least absolute deviations: plane (6,), and the median deviation."""
    middle = points[:, :2].mean(axis=0)
    rows = np.column_stack([points[:, :2] - middle, np.ones(len(points))])
    weight = np.ones(len(points))
    for _ in range(60):
        fit = np.linalg.lstsq(rows * weight[:, None], points[:, 2] * weight, rcond=None)[0]
        weight = 1.0 / np.sqrt(np.maximum(np.abs(points[:, 2] - rows @ fit), 1e-3))
    normal = np.array([-fit[0], -fit[1], 1.0]) / np.hypot(1.0, np.hypot(fit[0], fit[1]))
    stray = float(np.median(np.abs(points[:, 2] - rows @ fit)) * normal[2])
    return np.concatenate([[middle[0], middle[1], fit[2]], normal]), stray


def posed(side: Side, pose: Pose) -> Side:
    """Carry a cavity's planes into another frame."""
    return replace(side, plane=plane_posed(side.plane, pose), rim=plane_posed(side.rim, pose))


def plane_posed(plane: Array, pose: Pose) -> Array:
    """Carry a plane into another frame, (6,)."""
    point, normal = pose.points(plane[None, :3]), pose.directions(plane[None, 3:])
    return np.concatenate([point[0], normal[0]])


def triangles_posed(mesh: Mesh, pose: Pose) -> Array:
    """Carry a mesh into the file's frame as a file holds it, (m, 3, 3)."""
    points = pose.points(mesh.vertices).astype(np.float32).astype(np.float64)
    return points[mesh.faces]


def open_scan(tray: Tray, rng: Rng) -> Mesh:
    """Keep the inside, the crest and a little of the outer side."""
    wander = Relief(rng, 0.8, (8.0, 25.0))
    beyond = view_end(tray.impression, tray.mesh.vertices, wander)
    return largest_piece(cut(tray.mesh, beyond, 0.12 * PITCH_MM))


def _plain(rng: Rng, flow_kind: str) -> Real:
    """Scan a tray with or without its outside."""
    tray = make_tray(rng, flow_kind, recede_mm=float(rng.uniform(0.0, 1.5)))
    closed = bool(rng.random() < CLOSED_SHARE)
    pose = draw_pose(rng)
    return Real(
        about=f"{tray.shape}, {'closed' if closed else 'open'}",
        scan=triangles_posed(tray.mesh if closed else open_scan(tray, rng), pose),
        solid=triangles_posed(tray.mesh, pose),
        sides=(posed(tray.side, pose),),
    )


def ragged(rng: Rng) -> Real:
    """Make a ragged flow edge with walls of uneven width."""
    return _plain(rng, "ragged")


def unequal(rng: Rng) -> Real:
    """Make flanges of unequal height."""
    return _plain(rng, "unequal")


def sighted(tray: Tray, rng: Rng, widest_deg: float) -> tuple[Mesh, float]:
    """Keep of a tray what a scanner sees, with its noise; and the area that is lost, in mm^2."""
    found = seen(tray.mesh, directions(widest_deg, rng))
    scan, numbers = kept(tray.mesh, found)
    lost = np.ones(len(found), dtype=bool)
    lost[numbers] = False
    lost &= tray.cavity & (tray.mesh.corners[:, :, 2].mean(axis=1) < tray.level_mm)
    area = 0.5 * np.linalg.norm(face_normals(tray.mesh)[lost], axis=1).sum()
    return with_noise(scan, rng, SENSOR_MM), float(area)


def sight(rng: Rng) -> Real:
    """Make a scan of what is in sight, of any rim, with pockets under it."""
    return _seen_part(rng, patches=None)


def patched(rng: Rng) -> Real:
    """Close what was not in sight with long flat triangles."""
    return _seen_part(rng, patches=False)


def patched_fine(rng: Rng) -> Real:
    """Close what was not in sight, and mesh the patches anew."""
    return _seen_part(rng, patches=True)


def _seen_part(rng: Rng, *, patches: bool | None) -> Real:
    flow_kind = str(rng.choice(list(FLOWS)))
    recede_mm = float(rng.uniform(0.0, 4.0))
    widest_deg = float(rng.choice([25.0, 35.0, 45.0]))
    tray = make_tray(rng, flow_kind, recede_mm=recede_mm)
    scan, lost_mm2 = sighted(tray, rng, widest_deg)
    pose = draw_pose(rng)
    count = 0
    if patches is not None:
        scan, count = closed_up(scan, PATCHED_MM, fine=patches)
    return Real(
        about=f"{tray.shape}, {flow_kind}, {widest_deg:.0f} degrees, pocket {recede_mm:.1f} mm",
        scan=triangles_posed(scan, pose),
        solid=triangles_posed(tray.mesh, pose),
        sides=(posed(tray.side, pose),),
        lost_mm2=lost_mm2,
        patches=count,
    )


def stock_tray(rng: Rng) -> Real:
    """Make a perforated tray with a handle, scanned all round."""
    studs = Studs(
        radius_mm=float(rng.uniform(1.0, 1.7)),
        apart_mm=float(rng.uniform(5.0, 8.0)),
        depth_mm=float(rng.choice([rng.uniform(0.6, 1.5), -rng.uniform(0.5, 1.5)])),
    )

    def amend(row: Row, flow: Flow, shell: Shell) -> tuple[Flow, Shell]:
        del row
        return replace(flow, studs=studs), replace(shell, handle=True)

    shape = str(rng.choice(["upper", "lower"]))
    tray = make_tray(rng, str(rng.choice(["whole", "ragged"])), shape=shape, amend=amend)
    pose = draw_pose(rng)
    scan = triangles_posed(tray.mesh, pose)
    about = f"{shape}, {'drilled' if studs.depth_mm > 0.0 else 'bulging'}"
    return Real(about=about, scan=scan, solid=scan, sides=(posed(tray.side, pose),))


def two_sided(rng: Rng) -> Real:
    """Let two arches bite into one tray: one opens up, the other down."""

    def amend(row: Row, flow: Flow, shell: Shell) -> tuple[Flow, Shell]:
        del shell
        return replace(flow, edge_mm=1.0), Shell(floor_mm=row.tips_mm + SEPTUM_MM)

    shapes = ("upper", "lower") if rng.random() < 0.6 else ("quadrant", "quadrant")
    first, second = (make_tray(rng, "whole", shape=shape, amend=amend) for shape in shapes)
    if first.mesh.vertices[:, 0].mean() * second.mesh.vertices[:, 0].mean() > 0.0:
        second = mirrored(second)  # quadrants that bite on one another are of one side
    over = _middle(first.mesh) - np.array([-1.0, 1.0, -1.0]) * _middle(second.mesh)
    meet = first.mesh.vertices[:, 2].min() + second.mesh.vertices[:, 2].min() + OVERLAP_MM
    flip = Pose(turns_deg=(0.0, 180.0, 0.0), shift_mm=(float(over[0]), float(over[1]), float(meet)))
    other = Mesh(vertices=flip.points(second.mesh.vertices), faces=second.mesh.faces)
    mesh = meshed(manifold(first.mesh) + manifold(other))
    back = flip.points(mesh.vertices - np.array(flip.shift_mm)) - np.array(flip.shift_mm)
    held_ml = (
        held(mesh, first.level_mm)[0],
        held(Mesh(vertices=back, faces=mesh.faces), second.level_mm)[0],
    )
    pose = draw_pose(rng)
    sides = (first.side, posed(second.side, flip))
    scan = triangles_posed(mesh, pose)
    return Real(
        about=" and ".join(shapes),
        scan=scan,
        solid=scan,
        sides=tuple(
            posed(replace(side, volume_ml=ml), pose)
            for side, ml in zip(sides, held_ml, strict=True)
        ),
    )


def mirrored(tray: Tray) -> Tray:
    """Mirror a tray in the plane x = 0; its field is left as it was."""
    flip = np.array([-1.0, 1.0, 1.0])
    side = tray.side
    return replace(
        tray,
        mesh=Mesh(vertices=tray.mesh.vertices * flip, faces=tray.mesh.faces[:, ::-1]),
        side=replace(side, plane=side.plane * [*flip, *flip], rim=side.rim * [*flip, *flip]),
    )


def _middle(mesh: Mesh) -> Array:
    """Give the middle of a mesh's box, (3,)."""
    middle: Array = 0.5 * (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0))
    return middle


def side_by_side(rng: Rng) -> Real:
    """Put two arches into one file."""
    shapes = [str(shape) for shape in rng.choice(["upper", "lower", "toothless"], 2)]
    return _two(rng, shapes, np.array([rng.uniform(95.0, 115.0), rng.uniform(-15.0, 15.0), 0.0]))


def two_quadrants(rng: Rng) -> Real:
    """Put two quadrants into one file, 60 mm from middle to middle."""
    return _two(rng, ["quadrant", "quadrant"], np.array([60.0, rng.uniform(-5.0, 5.0), 0.0]))


def stacked(rng: Rng) -> Real:
    """Put two impressions at different heights into one file, beside or over one another."""
    apart = np.array([rng.uniform(95.0, 115.0), 0.0, rng.uniform(8.0, 30.0)])
    if rng.random() < 0.5:
        apart = np.array([*rng.uniform(-8.0, 8.0, 2), rng.uniform(45.0, 60.0)])
    return _two(rng, [str(shape) for shape in rng.choice(["upper", "lower", "quadrant"], 2)], apart)


def _two(rng: Rng, shapes: list[str], apart: Array) -> Real:
    """Put two trays into one file, the second so far from the first, both open or both closed."""
    closed, pose = bool(rng.random() < CLOSED_SHARE), draw_pose(rng)
    scans: list[Array] = []
    solids: list[Array] = []
    sides = []
    for place, shape in enumerate(shapes):
        tray = make_tray(rng, str(rng.choice(list(FLOWS))), shape=shape)
        turns = rng.uniform(-3.0, 3.0, 3) * [1.0, 1.0, 3.0]
        shift = place * apart - _middle(tray.mesh) * [1.0, 1.0, 0.0]
        there = Pose(
            turns_deg=(float(turns[0]), float(turns[1]), float(turns[2])),
            shift_mm=(float(shift[0]), float(shift[1]), float(shift[2])),
        )
        part = tray.mesh if closed else open_scan(tray, rng)
        for mesh, triangles in ((part, scans), (tray.mesh, solids)):
            moved = Mesh(vertices=there.points(mesh.vertices), faces=mesh.faces)
            triangles.append(triangles_posed(moved, pose))
        sides.append(posed(posed(tray.side, there), pose))
    return Real(
        about=f"{' and '.join(shapes)}, {'closed' if closed else 'open'}",
        scan=np.concatenate(scans),
        solid=np.concatenate(solids),
        sides=tuple(sides),
    )


def scanned_again(rng: Rng) -> Real:
    """Scan the same impression twice into one file, the second a little off, noise of its own."""
    tray = make_tray(rng, str(rng.choice(list(FLOWS))), recede_mm=float(rng.uniform(0.0, 1.5)))
    closed, pose = bool(rng.random() < CLOSED_SHARE), draw_pose(rng)
    surface = tray.mesh if closed else open_scan(tray, rng)
    way = rng.normal(size=3)
    shift = rng.uniform(0.02, 0.1) * way / np.linalg.norm(way)
    scans = []
    for off in (np.zeros(3), shift):
        fresh = with_noise(surface, rng, SENSOR_MM)
        scans.append(triangles_posed(replace(fresh, vertices=fresh.vertices + off), pose))
    return Real(
        about=f"{tray.shape}, {'closed' if closed else 'open'}, {np.linalg.norm(shift):.3f} mm off",
        scan=np.concatenate(scans),
        solid=triangles_posed(tray.mesh, pose),
        sides=(posed(tray.side, pose),),
    )


def wall_missing(rng: Rng) -> Real:
    """Leave half of a flange unseen on a closed scan: its inner face, or that and its crest."""
    shape = str(rng.choice(["upper", "lower", "quadrant", "toothless"]))
    tray = make_tray(rng, str(rng.choice(["whole", "ragged"])), shape=shape)
    pose = draw_pose(rng)
    middle = tray.mesh.corners.mean(axis=1)
    places = tray.impression.arch.places(middle[:, 0], middle[:, 1])
    ridge = tray.impression.jaw.ridge
    begin = ridge.from_mm if rng.random() < 0.5 else 0.5 * (ridge.from_mm + ridge.to_mm)
    along = places.along.ravel() - begin
    half = (along > 0.0) & (along < 0.5 * (ridge.to_mm - ridge.from_mm))
    side = 1 if ridge.back_mm is not None else int(rng.choice([-1, 1]))
    normals = face_normals(tray.mesh)
    steep = np.abs(normals[:, 2]) < 0.6 * np.linalg.norm(normals, axis=1)
    crest_too = bool(rng.random() < 0.5)
    near = np.abs(tray.impression.crest(places).ravel()) < 7.0
    high = middle[:, 2] > tray.level_mm - 9.0
    wall = high & near & (tray.cavity if not crest_too else True) & (steep | crest_too)
    lost = half & wall & (side * places.across.ravel() > 0.0)
    below = lost & tray.cavity & (middle[:, 2] < tray.level_mm)
    scan = triangles_posed(tray.mesh, pose)
    return Real(
        about=f"{shape}, {'with' if crest_too else 'without'} the crest",
        scan=scan[~lost],
        solid=scan,
        sides=(posed(tray.side, pose),),
        lost_mm2=float(0.5 * np.linalg.norm(normals[below], axis=1).sum()),
        owed=True,
    )


def tunnel(rng: Rng) -> Real:
    """Pierce a flange below the stated plane; what is stated is what it holds when plugged."""
    tray = make_tray(rng, "whole", shape=str(rng.choice(["upper", "lower", "quadrant"])))
    mesh, about = pierced(tray, rng)
    pose = draw_pose(rng)
    scan = triangles_posed(mesh, pose)
    return Real(about=about, scan=scan, solid=scan, sides=(posed(tray.side, pose),), owed=True)


def pierced(tray: Tray, rng: Rng) -> tuple[Mesh, str]:
    """Drill a level hole through the outer flange."""
    points = crest_points(tray.impression, box_round(tray.impression))
    places = tray.impression.arch.places(points[:, 0], points[:, 1])
    number = int(rng.choice(np.flatnonzero(places.across.ravel() > 4.0)))
    _, _, outward = tray.impression.arch.frame(float(places.along[number, 0]))
    radius_mm = float(rng.uniform(0.8, 2.5))
    deep_mm = radius_mm + float(rng.uniform(0.5, 4.0))
    drill = manifold3d.Manifold.cylinder(18.0, radius_mm, circular_segments=48, center=True)
    turn = float(np.degrees(np.arctan2(outward[1], outward[0])))
    drill = drill.rotate((0.0, 90.0, turn))
    drill = drill.translate((points[number, 0], points[number, 1], tray.level_mm - deep_mm))
    about = f"{tray.shape}, {2.0 * radius_mm:.1f} mm wide, {deep_mm:.1f} mm deep"
    return meshed(manifold(tray.mesh) - drill), about


def meshed(solid: manifold3d.Manifold) -> Mesh:
    """Give what an exact boolean made as a mesh."""
    made = solid.to_mesh64()
    return Mesh(
        vertices=np.asarray(made.vert_properties)[:, :3].astype(np.float64),
        faces=np.asarray(made.tri_verts).astype(np.int64),
    )


def half_pipe(rng: Rng) -> Real:
    """Make a straight half pipe in a block, open at both ends: a known section times a length.

    Its section below the plane is a segment of a circle, r^2 acos(d / r) - d sqrt(r^2 - d^2) for a
    plane d under the block's top; the pipe's polygon has the circle's area.
    """
    radius_mm, length_mm = float(rng.uniform(6.0, 12.0)), float(rng.uniform(35.0, 70.0))
    drop_mm = float(rng.uniform(0.5, 2.0))
    block = manifold3d.CrossSection.square((2.0 * radius_mm + 14.0, radius_mm + 6.0)).translate(
        (-radius_mm - 7.0, -radius_mm - 6.0)
    )
    # a polygon of n corners on a circle of radius q has the area n / 2 q^2 sin(2 pi / n)
    turn = 2.0 * np.pi / PIPE_CORNERS
    ring = (
        radius_mm
        * np.sqrt(turn / np.sin(turn))
        * np.column_stack(
            [np.cos(turn * np.arange(PIPE_CORNERS)), np.sin(turn * np.arange(PIPE_CORNERS))]
        )
    )
    solid = manifold3d.Manifold.extrude(block - manifold3d.CrossSection([ring]), length_mm)
    mesh = meshed(solid.refine_to_length(1.0).rotate((90.0, 0.0, 0.0)))
    half_angle = np.arccos(drop_mm / radius_mm)
    section = radius_mm**2 * (half_angle - 0.5 * np.sin(2.0 * half_angle))
    pose = draw_pose(rng)
    middle = _middle(mesh)
    top = np.array([middle[0], middle[1], 0.0, 0.0, 0.0, 1.0])
    side = Side(
        plane=top - [0.0, 0.0, drop_mm, 0.0, 0.0, 0.0],
        volume_ml=float(section * length_mm) / 1000.0,
        rim=top,
        stray_mm=0.0,
        spare_mm=float("nan"),
    )
    return Real(
        about=f"radius {radius_mm:.1f} mm, length {length_mm:.0f} mm",
        scan=triangles_posed(mesh, pose),
        solid=triangles_posed(mesh, pose),
        sides=(posed(side, pose),),
        owed=True,
    )


def half_file(rng: Rng) -> Real:
    """Let the file's second half be zeros, one point, one triangle, or the first half again."""
    tray = make_tray(rng, str(rng.choice(list(FLOWS))))
    pose = draw_pose(rng)
    scan = triangles_posed(tray.mesh if rng.random() < CLOSED_SHARE else open_scan(tray, rng), pose)
    half = len(scan) // 2
    about = str(rng.choice(["zeros", "one point", "one triangle", "the first half again"]))
    spoilt = {
        "zeros": np.zeros_like(scan[half:]),
        "one point": np.broadcast_to(scan[half, 0], scan[half:].shape),
        "one triangle": np.broadcast_to(scan[half], scan[half:].shape),
        "the first half again": np.resize(scan[:half], scan[half:].shape),
    }
    return Real(
        about=f"{tray.shape}, {about}",
        scan=np.concatenate([scan[:half], spoilt[about]]),
        solid=triangles_posed(tray.mesh, pose),
        sides=(posed(tray.side, pose),),
        owed=True,
    )


# What can be made, each with the number that its random draws begin with; patched scans are those
# in sight, patched
KINDS: dict[str, tuple[int, Callable[[Rng], Real]]] = {
    "ragged": (0, ragged),
    "unequal": (1, unequal),
    "sight": (2, sight),
    "patched": (2, patched),
    "patched fine": (2, patched_fine),
    "stock tray": (4, stock_tray),
    "two-sided": (5, two_sided),
    "side by side": (6, side_by_side),
    "two quadrants": (7, two_quadrants),
    "stacked": (8, stacked),
    "scanned again": (9, scanned_again),
    "wall missing": (10, wall_missing),
    "tunnel": (11, tunnel),
    "half pipe": (12, half_pipe),
    "half a file": (13, half_file),
}
