"""The dental arch as a curve seen from above, and places told by it."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from tests.corpus.blend import Array

STEP_MM = 0.02  # spacing of the curve's points; the distance to the curve is then good to 1e-5 mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Columns seen from above, in the maker's frame and along the arch."""

    # where the columns stand, (n, 1), in mm
    x: Array
    y: Array
    # length along the arch from its middle, (n, 1), in mm; positive towards positive x
    along: Array
    across: Array  # distance from the arch, (n, 1), in mm; positive towards lips and cheeks


class Arch:
    """Half an ellipse whose two ends run straight back.

    Parameters
    ----------
    half_width_mm : float
        Half the distance between the two ends.
    depth_mm : float
        From the foremost point to where the curve turns straight.
    tail_mm : float
        Length of each straight end.

    Examples
    --------
    The foremost point of the arch, and one 2 mm in front of it:

    >>> arch = Arch(half_width_mm=25.0, depth_mm=38.0)
    >>> places = arch.places(np.array([0.0, 0.0]), np.array([38.0, 40.0]))
    >>> np.abs(np.round(places.across.ravel(), 4)).tolist()
    [0.0, 2.0]
    """

    def __init__(self, *, half_width_mm: float, depth_mm: float, tail_mm: float = 45.0) -> None:
        angle = np.linspace(0.0, np.pi / 2.0, 40001)
        bow = np.column_stack([half_width_mm * np.sin(angle), depth_mm * np.cos(angle)])
        end = np.array([[half_width_mm, -tail_mm]])
        half = np.concatenate([bow, end])  # (k, 2)
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(half, axis=0), axis=1))])
        self.along = np.arange(-length[-1], length[-1], STEP_MM)
        back = np.abs(self.along)
        self.points = np.column_stack(
            [
                np.sign(self.along) * np.interp(back, length, half[:, 0]),
                np.interp(back, length, half[:, 1]),
            ]
        )
        tangent = np.gradient(self.points, STEP_MM, axis=0)
        self.tangent = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
        self.tree = cKDTree(self.points, leafsize=128)  # a curve: twice as fast

    def places(self, x: Array, y: Array) -> Places:
        """Tell where columns stand along the arch and across it.

        `x`, `y` (n,); gives (n, 1).
        """
        spots = np.column_stack([x, y])
        nearest = self.tree.query(spots)[1]
        apart = spots - self.points[nearest]  # (n, 2)
        tangent = self.tangent[nearest]
        slip = np.einsum("ij,ij->i", apart, tangent)
        across = tangent[:, 0] * apart[:, 1] - tangent[:, 1] * apart[:, 0]
        return Places(
            x=spots[:, :1],
            y=spots[:, 1:],
            along=(self.along[nearest] + slip)[:, None],
            across=across[:, None],
        )

    def frame(self, along_mm: float) -> tuple[Array, Array, Array]:
        """Give a point of the arch, its tangent and its outward normal.

        Gives (2,).
        """
        index = int(np.clip(np.searchsorted(self.along, along_mm), 0, len(self.along) - 1))
        tangent = self.tangent[index]
        return self.points[index], tangent, np.array([-tangent[1], tangent[0]])
