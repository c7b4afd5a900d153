"""What a scanner sees of an impression: where the view ends, holes, and the frame it leaves."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from tests.corpus.blend import Array, Relief
from tests.corpus.impression import Impression
from tests.corpus.mesh import Mesh, cut, largest_piece

SEEN_DEPTH_MM = 2.0
"""How far down the outer side of a flange a scanner sees, on average."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hole:
    """A place that the scanner did not see.

    Parameters
    ----------
    near : tuple of float
        A point of the maker's frame; the hole lies at the nearest place of the surface.
    across_mm : float
        The hole's width.
    """

    near: tuple[float, float, float]
    across_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """How the maker's frame lies in the file's frame.

    Parameters
    ----------
    turns_deg : tuple of float
        Turns about the fixed x, y and z axis, in this order.
    shift_mm : tuple of float
        Shift after the turns.
    """

    turns_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def points(self, points: Array) -> Array:
        """Carry points into the file's frame.

        Parameters
        ----------
        points : numpy.ndarray
            Points of the maker's frame, (n, 3).

        Returns
        -------
        numpy.ndarray
            The same in the file's frame, (n, 3).
        """
        moved: Array = self.directions(points) + np.array(self.shift_mm)
        return moved

    def directions(self, directions: Array) -> Array:
        """Carry directions into the file's frame.

        Parameters
        ----------
        directions : numpy.ndarray
            Directions of the maker's frame, (n, 3).

        Returns
        -------
        numpy.ndarray
            The same in the file's frame, (n, 3).
        """
        turned: Array = Rotation.from_euler("xyz", self.turns_deg, degrees=True).apply(directions)
        return turned


def view_end(impression: Impression, points: Array, wander: Relief) -> Array:
    """Tell how far points lie beyond what the scanner sees.

    Parameters
    ----------
    impression : Impression
        What is scanned.
    points : numpy.ndarray
        Points of its surface, (n, 3), in the maker's frame.
    wander : Relief
        The unevenness of the view's end.

    Returns
    -------
    numpy.ndarray
        (n,), in mm; negative where seen: inside the crest, and outside it a little way down;
        nothing behind an open heel.
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
    """Take holes out of a mesh.

    Parameters
    ----------
    mesh : Mesh
        What was scanned.
    holes : tuple of Hole
        Where and how wide.
    wander : Relief
        The unevenness of the holes' borders.
    pitch_mm : float
        The mesh's spacing.

    Returns
    -------
    Mesh
        The mesh without the holes and without islands in them.
    """
    for hole in holes:
        apart = np.linalg.norm(mesh.vertices - np.array(hole.near), axis=1)
        centre = mesh.vertices[np.argmin(apart)]
        away = np.linalg.norm(mesh.vertices - centre, axis=1)
        ragged = 0.5 * hole.across_mm + 0.25 * wander(*mesh.vertices.T)
        mesh = cut(mesh, ragged - away, 0.1 * pitch_mm)
    return largest_piece(mesh)
