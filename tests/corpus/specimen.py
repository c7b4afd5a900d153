"""A random impression made: its triangles as a file would hold them, and what they truly hold."""

import os
from dataclasses import dataclass, replace
from pathlib import Path

import manifold3d
import numpy as np
from numpy.typing import NDArray

from tests.corpus.blend import Array, Relief
from tests.corpus.case import bare, box_of, solid, truth
from tests.corpus.cross_check import crest_line, held_by_triangles
from tests.corpus.impression import Impression
from tests.corpus.mesh import Faces, Mesh, cut, with_noise
from tests.corpus.random_cases import Drawn, random_case
from tests.corpus.scanning import punch

FIELD_PITCH_MM = 0.4  # columns for the field's own integral; 0.3 mm gave the same within 0.005 %
BLOCK_MM = 60.0  # height of the block from which a closed tray is taken away
FIELD_EVERY = 4  # one impression in so many has its field integrated too
UNDER_MM = 1.5  # so far over the tray's lowest plane a surface still belongs to its outside


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Specimen:
    """A made impression in the file's frame."""

    drawn: Drawn  # its recipe
    vertices: Array  # corners, (n, 3), in mm, rounded to 32-bit floats as files hold them
    faces: Faces  # triangles, (m, 3)
    cavity: NDArray[np.bool_]  # which triangles bound the cavity inside the rim's crest, (m,)
    # point and upward normal of the stated plane and of the rim as intended, each (6,)
    plane: Array
    rim: Array
    # what the triangles, without holes, hold up to the two planes
    facets_ml: float
    rim_ml: float
    # what the field holds up to the stated plane; not a number where it was not integrated
    field_ml: float

    @property
    def up(self) -> Array:
        """Unit vector out of the opening, (3,)."""
        return self.plane[3:]


def specimen(seed: int, keep: Path | None = None) -> Specimen:
    """Make a random impression, or take it from where it was kept."""
    path = None if keep is None else keep / f"{seed}.npz"
    if path is not None and path.exists():
        with np.load(path) as held:
            parts = {name: held[name] for name in held.files}
        parts["vertices"] = parts["vertices"].astype(np.float64)
        for name in ("facets_ml", "rim_ml", "field_ml"):
            parts[name] = float(parts[name])
        return Specimen(drawn=random_case(seed), **parts)
    made = _made(random_case(seed))
    if path is not None:
        part = path.with_suffix(f".{os.getpid()}.npz")
        names = ("faces", "cavity", "plane", "rim", "facets_ml", "rim_ml", "field_ml")
        held = {name: getattr(made, name) for name in names}
        np.savez(part, vertices=made.vertices.astype(np.float32), **held)
        part.replace(path)
    return made


def _made(drawn: Drawn) -> Specimen:
    case = drawn.case
    rng = np.random.default_rng([case.seed, 1])
    impression = solid(case)
    whole = with_noise(bare(case), rng, case.noise_mm) if case.noise_mm else bare(case)
    holed = punch(whole, case.holes, Relief(rng, 1.0, (1.5, 4.0)), case.pitch_mm)
    size = drawn.scale**3
    vertices = case.pose.points(drawn.scale * holed.vertices)
    return Specimen(
        drawn=drawn,
        vertices=vertices.astype(np.float32).astype(np.float64),
        faces=holed.faces[:, ::-1] if drawn.turned else holed.faces,
        cavity=_cavity(drawn, impression, holed),
        plane=_plane(drawn, whole, case.level_mm),
        rim=_plane(drawn, whole, 0.0),
        facets_ml=size * _held_ml(drawn, impression, whole, case.level_mm),
        rim_ml=size * _held_ml(drawn, impression, whole, 0.0),
        field_ml=size * _field_ml(drawn),
    )


def _field_ml(drawn: Drawn) -> float:
    if drawn.seed % FIELD_EVERY:
        return float("nan")
    return truth(drawn.case, FIELD_PITCH_MM).volume_ml


def _plane(drawn: Drawn, whole: Mesh, level_mm: float) -> Array:
    """Carry a level plane into the file's frame, its point amid the scan."""
    middle = whole.vertices[:, :2].mean(axis=0)
    point = drawn.scale * np.array([[middle[0], middle[1], level_mm]])
    up = drawn.case.pose.directions(np.array([[0.0, 0.0, 1.0]]))
    return np.concatenate([drawn.case.pose.points(point)[0], up[0]])


def _cavity(drawn: Drawn, impression: Impression, mesh: Mesh) -> NDArray[np.bool_]:
    middle = mesh.corners.mean(axis=1)
    within = impression.inside(impression.arch.places(middle[:, 0], middle[:, 1])).ravel()
    shell = drawn.case.shell
    if shell is not None:
        within &= middle[:, 2] > UNDER_MM - shell.floor_mm
    return within


def _held_ml(drawn: Drawn, impression: Impression, whole: Mesh, level_mm: float) -> float:
    """Measure what triangles without holes hold: prisms, or a boolean where they are closed."""
    if drawn.case.shell is None:
        return held_by_triangles(whole, impression, level_mm)
    box = box_of(replace(drawn.case, shell=None), impression)
    outline = manifold3d.CrossSection([crest_line(impression, box)])
    block = manifold3d.Manifold.extrude(outline, BLOCK_MM)
    tray = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=whole.vertices, tri_verts=whole.faces.astype(np.uint64))
    )
    pieces = (block.translate((0, 0, level_mm - BLOCK_MM)) - tray).decompose()
    floor_mm = -drawn.case.shell.floor_mm
    top = [piece for piece in pieces if piece.bounding_box()[5] > level_mm - 0.01]
    held = [piece for piece in top if piece.bounding_box()[2] > floor_mm]
    return float(sum(piece.volume() for piece in held)) / 1000.0


def prisms_ml(corners: Array, plane: Array) -> float:
    """Sum the prisms between triangles and a plane, as far as they lie below it.

    `corners` (m, 3, 3); `plane` (6,).
    """
    index = np.arange(3 * len(corners)).reshape(-1, 3)
    loose = Mesh(vertices=corners.reshape(-1, 3), faces=index)
    below = cut(loose, (loose.vertices - plane[:3]) @ plane[3:], 0.0).corners
    cross = np.cross(below[:, 1] - below[:, 0], below[:, 2] - below[:, 0]) @ plane[3:]
    depth = -((below - plane[:3]) @ plane[3:]).mean(axis=1)
    return float((0.5 * cross * depth).sum()) / 1000.0
