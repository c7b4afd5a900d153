"""Points spread evenly over the scan's surface: what the pour axis is looked for with."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from volest.cavity.frame import Floats, Frame
from volest.scan.compiling import loops
from volest.scan.patches import long_ones, usual_side_mm

LOOPS = "volest.cavity.sample_loops"
SAMPLES = 30_000  # some fifteen a cell of 1.5 mm on a full arch
LOOKED_AT = 4  # one sample in so many tells of long triangles: more than one in 5 mm2
WIDEST_MM = 300.0  # no impression, handle and holder included, is wider
OUTER_SHARE = 0.01  # of the samples, at each end of each axis: may be strays
AROUND_MM = 100.0  # beyond the others: a tray's handle is 25 to 45 long
OPEN_SHARE = 0.05  # of the area: a closed scan's vector area is zero but for its gaps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Points spread evenly over the surface, and the way it faces there.

    Parameters
    ----------
    points_mm : ndarray
        (3, m), one row a coordinate.
    vector_area : ndarray
        (3,), sum of the faces' areas as vectors over the whole area: zero for a closed scan.
    solid_ml : float
        Volume that the faces enclose, if they enclose any.
    long_share : float
        Part of the surface that lies in triangles far longer than is usual.
    """

    points_mm: Floats
    vector_area: Floats
    solid_ml: float
    long_share: float = 0.0

    @property
    def is_open(self) -> bool:
        """Whether the scan is a sheet and not the skin of a solid."""
        return bool(np.linalg.norm(self.vector_area) > OPEN_SHARE)

    def seen_in(self, frame: Frame) -> Floats:
        """Bring the points into a frame.

        Gives (3, m).
        """
        fast = loops(LOOPS)
        if fast is None:
            return frame.to_frame(self.points_mm)
        turned = np.empty_like(self.points_mm)
        fast.points_turned(self.points_mm, frame.view, turned)
        return turned


def spread_samples(corners_mm: Floats) -> Samples:
    """Spread points evenly over the surface, whatever the size of its triangles.

    `corners_mm` (3, 3, n).
    """
    fast = loops(LOOPS)
    if fast is not None:
        rows = np.ascontiguousarray(corners_mm.transpose(2, 1, 0))
        upto = np.empty(len(rows))
        total = np.array(fast.twice_areas_summed(rows, upto))
        return _spread(rows, upto, total)
    normal, area = _normals(corners_mm)
    # Sums run one by one, as the compiled loop's do, so that both give the same bits.
    total = np.cumsum(normal, axis=1)[:, -1]
    return _spread(corners_mm.transpose(2, 1, 0), np.cumsum(area), total)


def _normals(corners_mm: Floats) -> tuple[Floats, Floats]:
    """Return normals, (3, n), as long as twice the areas, and twice the areas, (n,)."""
    first, second = (corners_mm[:, k] - corners_mm[:, 0] for k in (1, 2))
    normal: Floats = np.stack(
        [
            first[1] * second[2] - first[2] * second[1],
            first[2] * second[0] - first[0] * second[2],
            first[0] * second[1] - first[1] * second[0],
        ]
    )
    area: Floats = np.sqrt((normal * normal).sum(axis=0))  # (n,)
    return normal, area


def _spread(triangles: Floats, upto: Floats, total: Floats) -> Samples:
    """Pick the points, given the running sum of twice the areas and the sum of the normals."""
    which = np.searchsorted(upto, (np.arange(SAMPLES) + 0.5) / SAMPLES * upto[-1])
    r, s = _places()
    corners = np.ascontiguousarray(triangles[which].transpose(2, 1, 0))  # (3, 3, samples)
    a, b, c = (corners[:, corner] for corner in range(3))
    points = np.ascontiguousarray(a * (1.0 - r) + b * (r * (1.0 - s)) + c * (r * s))
    normal, area = _normals(corners)
    points, out = _without_strays(points, normal / area)
    reach = float(((points - points.mean(axis=1, keepdims=True)) * out).sum(axis=0).mean())
    return Samples(
        points_mm=points,
        vector_area=total / upto[-1],
        solid_ml=abs(reach) * upto[-1] / 6.0 / 1000.0,  # divergence theorem; twice the area
        long_share=float(np.mean(long_ones(corners[..., ::LOOKED_AT].T, usual_side_mm(triangles)))),
    )


def _without_strays(points_mm: Floats, out: Floats) -> tuple[Floats, Floats]:
    """Leave out samples far from nearly all the others, so that no grid has to reach them."""
    if float(np.ptp(points_mm, axis=1).max()) <= WIDEST_MM:
        return points_mm, out
    low, high = np.quantile(points_mm, [OUTER_SHARE, 1.0 - OUTER_SHARE], axis=1)[..., None]
    near = ((points_mm > low - AROUND_MM) & (points_mm < high + AROUND_MM)).all(axis=0)
    return np.ascontiguousarray(points_mm[:, near]), out[:, near]


@cache
def _places() -> tuple[Floats, Floats]:
    """Return where in its triangle each sample lies."""
    return even_places(SAMPLES)


def even_places(count: int) -> tuple[Floats, Floats]:
    """Return r and s, (count,) each, of points a (1 - r) + b r (1 - s) + c r s of triangles a b c.

    A plastic-number sequence fills a triangle evenly (Roberts; from memory); the square root makes
    it even by area (Turk, Graphics Gems, 'Generating random points in triangles').
    """
    k = np.arange(count, dtype=np.float64)
    return np.asarray(np.sqrt(k * 0.7548776662466927 % 1.0)), k * 0.5698402909980532 % 1.0
