"""What a scanner sees of an impression: where the view ends, holes, and the frame it leaves."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from tests.corpus.blend import Array, Relief
from tests.corpus.impression import Impression
from tests.corpus.mesh import Mesh, cut, largest_piece

SEEN_DEPTH_MM = 2.0  # how far down the outer side of a flange a scanner sees, on average


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hole:
    """A place that the scanner did not see."""

    # a point of the maker's frame; the hole lies at the nearest place of the surface
    near: tuple[float, float, float]
    across_mm: float  # the hole's width


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """How the maker's frame lies in the file's frame."""

    # turns about the fixed x, y and z axis, in this order
    turns_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)  # shift after the turns

    def points(self, points: Array) -> Array:
        """Carry points into the file's frame.

        `points` (n, 3); gives (n, 3).
        """
        moved: Array = self.directions(points) + np.array(self.shift_mm)
        return moved

    def directions(self, directions: Array) -> Array:
        """Carry directions into the file's frame.

        `directions` (n, 3); gives (n, 3).
        """
        turned: Array = Rotation.from_euler("xyz", self.turns_deg, degrees=True).apply(directions)
        return turned


def view_end(impression: Impression, points: Array, wander: Relief) -> Array:
    """Tell how far points lie beyond what the scanner sees.

    `points` (n, 3); gives (n,).
    """
    places = impression.arch.places(points[:, 0], points[:, 1])
    outside = impression.crest(places).ravel()
    drop = impression.rim_level(places).ravel() - points[:, 2]
    seen = SEEN_DEPTH_MM + wander(points[:, 0], points[:, 1], np.zeros(1))
    beyond: Array = np.minimum(outside, drop - seen)
    back = impression.rim.open_back_mm
    if back is not None:
        open_end = np.where(impression.rim.open_side * points[:, 0] > 0.0, back - points[:, 1], -9)
        beyond = np.maximum(beyond, open_end)
    return beyond


def punch(mesh: Mesh, holes: tuple[Hole, ...], wander: Relief, pitch_mm: float) -> Mesh:
    """Take holes out of a mesh."""
    for hole in holes:
        apart = np.linalg.norm(mesh.vertices - np.array(hole.near), axis=1)
        centre = mesh.vertices[np.argmin(apart)]
        away = np.linalg.norm(mesh.vertices - centre, axis=1)
        ragged = 0.5 * hole.across_mm + 0.25 * wander(*mesh.vertices.T)
        mesh = cut(mesh, ragged - away, 0.1 * pitch_mm)
    return largest_piece(mesh)
