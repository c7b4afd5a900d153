"""A frame to work in: z along the pour axis, out of the opening."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

KERNELS = "volest.cavity.kernels"  # loaded where they are compiled
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TURN_RAD = 0.4812  # an odd angle: walls along the scan's own axes then run across the grid's rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """A turned and shifted frame: in it a point p stands at ``rotation @ (p - origin_mm)``."""

    # (3, 3), rows are the frame's axes in the scan's own frame; the last row is the pour axis
    rotation: Floats
    origin_mm: Floats  # (3,), the frame's origin in the scan's own frame

    @property
    def view(self) -> tuple[float, ...]:
        """The rotation, row by row, and the origin, as compiled loops want them."""
        return (*self.rotation.ravel().tolist(), *self.origin_mm.tolist())

    def to_frame(self, points_mm: Floats) -> Floats:
        """Bring points, (3, ...), into the frame, each by the same arithmetic.

        Sums are written out because a matrix product may round equal points differently, and
        columns rest on equal vertices staying equal.
        """
        x, y, z = (points_mm[k] - self.origin_mm[k] for k in range(3))
        return np.stack([row[0] * x + row[1] * y + row[2] * z for row in self.rotation])

    def from_frame(self, point_mm: Floats) -> Floats:
        """Bring one point back into the scan's own frame; `point_mm` (3,); gives (3,)."""
        return np.asarray(self.rotation.T @ point_mm + self.origin_mm)


def frame_along(axis: Floats, origin_mm: Floats) -> Frame:
    """Make a frame whose z runs along an axis, (3,), of any length."""
    z = axis / np.linalg.norm(axis)
    across = np.eye(3)[int(np.argmin(np.abs(z)))]
    x = _cross(across, z)
    x /= np.linalg.norm(x)
    y = _cross(z, x)
    x = np.cos(TURN_RAD) * x + np.sin(TURN_RAD) * y
    return Frame(rotation=np.stack([x, _cross(z, x), z]), origin_mm=origin_mm)


def plane_mm(plane: Floats, x_mm: Floats, y_mm: Floats) -> Floats:
    """Give the heights of a plane z = a x + b y + c; `plane` (3,) has a, b and c."""
    a, b, c = (float(value) for value in plane)
    return a * x_mm + b * y_mm + c


def _cross(a: Floats, b: Floats) -> Floats:
    # numpy's own takes any shape, which costs more than all else here.
    return np.array(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )
