"""The cavity's volume from triangles: a second way, to hold the field's integral against."""

import numpy as np
from skimage.measure import find_contours

from tests.corpus.blend import Array
from tests.corpus.impression import Impression
from tests.corpus.mesh import Mesh, cut

PITCH_MM = 0.25  # spacing of the grid on which the crest is traced


def held_by_triangles(mesh: Mesh, impression: Impression, level_mm: float) -> float:
    """Sum the prisms between an open scan and a level plane above it."""
    below = cut(mesh, mesh.vertices[:, 2] - level_mm, 0.0)
    places = impression.arch.places(below.vertices[:, 0], below.vertices[:, 1])
    within = cut(below, impression.crest(places).ravel(), 0.0)
    back = impression.rim.open_back_mm
    if back is not None:
        open_side = within.vertices[:, 0] * impression.rim.open_side > 0.0
        within = cut(within, np.where(open_side, back - within.vertices[:, 1], -1.0), 0.0)
    corners = within.corners
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    depth = level_mm - corners[:, :, 2].mean(axis=1)
    return float((0.5 * cross[:, 2] * depth).sum()) / 1000.0


def crest_line(impression: Impression, box: Array) -> Array:
    """Trace the line of the rim's crest as seen from above.

    `box` (2, 3); gives (k, 2).
    """
    axes = [np.arange(low - 1.0, high + 1.0, PITCH_MM) for low, high in box[:, :2].T]
    east, north = np.meshgrid(*axes, indexing="ij")
    places = impression.arch.places(east.ravel(), north.ravel())
    line = max(find_contours(impression.crest(places).reshape(east.shape), 0.0), key=len)
    points: Array = line[:-1] * PITCH_MM + [axes[0][0], axes[1][0]]
    x, y = points.T
    turning = (x * np.roll(y, -1) - y * np.roll(x, -1)).sum()
    return points if turning > 0.0 else points[::-1]
