"""The base line: the plane up to which the first pour fills."""

import math
from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, grey_dilation, grey_erosion, label

from volest.cavity.cells import grown, within
from volest.cavity.frame import Bools, Floats, Frame, plane_mm
from volest.cavity.height_map import HeightMap, no_cavity
from volest.cavity.rim import Rim
from volest.errors import ScanError
from volest.notes import Note
from volest.settings import Base

RAGGED_MM = 0.6  # robust spread of the crest; a hand-trimmed rim stays well below
WAVY_MM = 0.2  # whole rims of the samples stray by 0.1 at most
LEANING_DEG = 6.0  # rim against the plane the cast rests on; sound impressions gave 0 to 5
WALL_SLOPE = 0.84  # 40 degrees: palates fall by 25 from their back border, its soft wall by 48
WALL_MM = 4.0  # from the crest inward a rounded rim may take so long to become a wall
LEDGE_MM = 0.8  # a wall's fall may pause for so long: two cells, over which noise is no slope
PATCH_MM2 = 1.0  # what stands higher on less than that is a spike or a speck
Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BasePlane:
    """The base line in the frame."""

    plane: Floats  # (3,) a, b, c of z = a x + b y + c
    how: str  # 'rim', 'depth', 'cover', 'plane' or 'saved'
    height_u_mm: float  # standard uncertainty of its height
    lean_deg: float  # angle between rim and the plane on which the cast would rest, teeth down
    notes: tuple[Note, ...] = ()  # what is doubtful about it

    def heights_mm(self, x_mm: Floats, y_mm: Floats, z_mm: Floats) -> Floats:
        """Return heights over the base line, along z."""
        return z_mm - self.level_mm(x_mm, y_mm)

    def level_mm(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the base line's own heights in the frame."""
        return plane_mm(self.plane, x_mm, y_mm)

    def in_scan(self, frame: Frame, x_mm: float, y_mm: float) -> tuple[Triple, Triple]:
        """Bring the base line back into the scan's own frame."""
        place = np.array([x_mm, y_mm])
        level = self.level_mm(place[:1], place[1:])
        point = frame.from_frame(np.concatenate([place, level]))
        normal = frame.rotation.T @ (np.array([-self.plane[0], -self.plane[1], 1.0]) * self.upright)
        return _triple(point), _triple(normal)

    @property
    def upright(self) -> float:
        """Cosine of the angle between the base line's normal and z."""
        return float(1.0 / np.sqrt(1.0 + self.plane[0] ** 2 + self.plane[1] ** 2))


def _triple(values: Floats) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])


def find_base_line(
    base: Base, relief: HeightMap, inside: Bools, rim: Rim, frame: Frame
) -> BasePlane:
    """Place the base line as it was asked for."""
    floor = inside & ~rim.land
    if not floor.any():
        raise ScanError(
            "a flat surface inside the rim that was found",
            needed="an impression with a cavity",
            remedy="cut bench and holder off the scan, or give the base line",
            code="no-cavity",
        )
    level = level_plane(relief, floor)
    lean = _angle_deg(level, rim.plane)
    if not _stands(level, lean, relief, floor):
        level, lean = rim.plane, 0.0
    if base.plane:
        point = frame.rotation @ (np.array(base.plane[:3]) - frame.origin_mm)
        n = frame.rotation @ np.array(base.plane[3:])
        plane, height_u_mm = np.array([-n[0], -n[1], point @ n]) / n[2], GIVEN_U_MM
    elif base.how == "rim":
        middle_mm = np.array([v[floor].mean() for v in relief.grid.centres_mm()])
        return _by_rim(base, rim, level, lean, middle_mm)
    else:
        over_level = relief.over_mm(level)
        if base.how == "depth":
            lowest = float(over_level[floor].min())
        else:
            lowest = _highest_floor_mm(over_level, floor, relief.grid.pitch_mm)
        up = base.offset_mm * float(np.sqrt(1.0 + level[0] ** 2 + level[1] ** 2))
        plane, height_u_mm = level + np.array([0.0, 0.0, lowest + up]), TIPS_U_MM
    return BasePlane(plane=plane, how=base.how, height_u_mm=height_u_mm, lean_deg=lean)


GIVEN_U_MM = 0.02  # a stated plane is as good as the scan: some 15 um (bench scanners, 11-50 um)
STANDING_MM = 2.0  # a foot narrower than that in one direction bears nothing
STANDING_DEG = 20.0  # one leans more on the cusps of one tooth (10 to 60) than any rim on an arch
TOUCHING_MM = 0.05
TIPS_U_MM = 0.05  # the scan and the grid's step over a rounded tip
RIM_U_MM = 0.1  # even a flat rim is no better defined than this
CUT_RIM_U_MM = 0.7  # of one that was not seen: doubled, it held 28 made ones cut 1 to 3 mm down
UNSURE_U_MM = 0.2  # half of what a base line may be off without a word
UNSURE_U_DEG = 0.45
OTHER_PART = 0.6  # of the way to what else may be meant: doubled, the interval holds it


def level_plane(relief: HeightMap, inside: Bools) -> Floats:
    """Find the plane on which the cast would rest, teeth down.

    It is the facet of the floor's lower convex hull that lies under the floor's centroid.

    Gives (3,).
    """
    points = np.stack([v[inside] for v in (*relief.grid.centres_mm(), relief.top_mm)])
    plane = resting_plane(points, points[:2].mean(axis=1))
    if plane is None:
        raise no_cavity(f"a floor of {points.shape[1]} columns in one line")
    return plane


def _stands(level: Floats, lean_deg: float, relief: HeightMap, floor: Bools) -> bool:
    """Tell whether a cast could stand there: a single tooth balances on the tip of a cusp."""
    if not LEANING_DEG < lean_deg < STANDING_DEG:
        return lean_deg <= LEANING_DEG
    touching = floor & (relief.over_mm(level) < TOUCHING_MM)
    x, y = relief.grid.places_mm(np.flatnonzero(touching))
    turns = np.linspace(0.0, np.pi, 18, endpoint=False)[:, None]
    across = np.cos(turns) * x + np.sin(turns) * y
    return bool(np.ptp(across, axis=1).min() >= STANDING_MM)


def _by_rim(base: Base, rim: Rim, level: Floats, lean_deg: float, middle_mm: Floats) -> BasePlane:
    """Follow the rim's own plane, however ragged it is: stone is filled to the rim."""
    height_u_mm, tilt_u_deg = rim.sureness(middle_mm)
    height_u_mm = float(np.hypot(RIM_U_MM if rim.is_seen else CUT_RIM_U_MM, height_u_mm))
    notes: list[Note] = []
    other_mm = 0.0
    if rim.rest_share:
        design = np.column_stack([rim.crest_mm[:, :2], np.ones(len(rim.crest_mm))])
        all_round: Floats = np.asarray(np.linalg.lstsq(design, rim.crest_mm[:, 2], rcond=None)[0])
        other_mm = float((all_round - rim.plane) @ [*middle_mm, 1.0])
        notes.append(
            Note(
                "two-heights",
                share_percent=100.0 * rim.rest_share,
                rest_mm=rim.rest_mm,
                all_round_mm=other_mm,
                tilt_deg=_angle_deg(all_round, rim.plane),
            )
        )
    if rim.spread_mm > WAVY_MM or height_u_mm > UNSURE_U_MM or tilt_u_deg > UNSURE_U_DEG:
        # The level touches the deepest tips, so heights over it are heights over them.
        middle = np.median(rim.crest_mm[:, 2] - rim.crest_mm[:, :2] @ level[:2])
        over_mm = (middle - level[2]) / np.hypot(1.0, np.hypot(*level[:2]))
        notes.append(
            Note(
                "ragged-rim" if rim.spread_mm > RAGGED_MM else "wavy-rim",
                spread_mm=rim.spread_mm,
                offset_mm=base.offset_mm,
                within_mm=2.0 * height_u_mm,
                within_deg=2.0 * tilt_u_deg,
                depth_mm=float(over_mm) + base.offset_mm,
            )
        )
    if lean_deg > LEANING_DEG:
        notes.append(Note("leaning-rim", lean_deg=lean_deg))
    up = base.offset_mm * float(np.sqrt(1.0 + rim.plane[0] ** 2 + rim.plane[1] ** 2))
    return BasePlane(
        plane=rim.plane + np.array([0.0, 0.0, up]),
        how="rim",
        height_u_mm=float(np.hypot(height_u_mm, OTHER_PART * other_mm)),
        lean_deg=lean_deg,
        notes=tuple(notes),
    )


def _highest_floor_mm(over_level_mm: Floats, inside: Bools, pitch_mm: float) -> float:
    """Return the highest level that a patch of the floor reaches; of walls alone, the deepest."""
    reach = max(LEDGE_MM / pitch_mm, 1.5)  # in cells: no less than all eight about one
    wall = _wall(over_level_mm, inside, pitch_mm, reach)
    # Strips no wider than a ledge are no floor; what the reach took off its edge is given back.
    floor = inside & within(~within(wall | ~inside, reach / 2.0), reach)
    cells = max(math.ceil(PATCH_MM2 / pitch_mm**2), 2)
    heights = np.unique(over_level_mm[floor])[::-1].tolist()

    def largest(level_mm: float) -> int:
        names, _ = label(floor & (over_level_mm >= level_mm), np.ones((3, 3)))
        return int(np.bincount(names.ravel())[1:].max(initial=0))

    at = bisect_left(heights, cells, key=largest)  # the lower the level, the larger is the patch
    return heights[at] if at < len(heights) else float(over_level_mm[inside].min())


def _wall(over_level_mm: Floats, inside: Bools, pitch_mm: float, reach: float) -> Bools:
    """Find what falls steeply from the crest on; what rises again, as a mound does, is floor."""
    apart = np.hypot(*np.mgrid[-int(reach) : int(reach) + 1, -int(reach) : int(reach) + 1])
    about, fall_mm = apart <= reach, WALL_SLOPE * pitch_mm * apart
    border = inside & grown(~inside)
    # The lowest crest about, so that a spike on it does not make its surroundings floor.
    crest_mm = grey_erosion(np.where(border, over_level_mm, np.inf), footprint=about)
    way, nearest = distance_transform_edt(~border, return_indices=True)
    cap = over_level_mm >= crest_mm[tuple(nearest)] - WALL_SLOPE * pitch_mm * way
    wall: Bools = inside & cap & (pitch_mm * way <= WALL_MM)
    known = -1
    while known != (known := int(np.count_nonzero(wall))):
        foot = np.where(wall, over_level_mm, -np.inf)
        lowest_mm = grey_dilation(foot, footprint=about, structure=-fall_mm)
        wall |= inside & (over_level_mm <= lowest_mm)
    return wall


def _angle_deg(first: Floats, second: Floats) -> float:
    a, b = (np.array([-p[0], -p[1], 1.0]) for p in (first, second))
    cosine = a @ b / np.linalg.norm(a) / np.linalg.norm(b)
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


AROUND = 1e3  # times the points' spread: corners of the triangle that the search begins with
OVER = 1e6  # times it: so high that they bear nothing once three points do
ROUNDING_MM = 1e-9  # over the plane by less than figures are rounded
MOST_STEPS = 1000  # some twenty were enough for arches


def resting_plane(points_mm: Floats, place_mm: Floats) -> Floats | None:
    """Find the plane under all points that is highest over a place.

    It is the facet of their lower convex hull there. The simplex method on its linear programme:
    a triangle of points round the place bears the plane; the point that lies lowest under it takes
    the place of the corner that leaves the place inside (Dantzig; from memory).

    `points_mm` (3, m); `place_mm` (2,); gives (3,).

    >>> x = np.array([0.0, 4.0, 0.0, 1.0])
    >>> y = np.array([0.0, 0.0, 4.0, 1.0])
    >>> z = np.array([1.0, 5.0, 9.0, 10.0])
    >>> np.round(resting_plane(np.stack([x, y, z]), np.array([1.0, 1.0])), 9)
    array([1., 2., 1.])
    """
    x, y, z = points_mm[0] - place_mm[0], points_mm[1] - place_mm[1], points_mm[2]
    spread = float(max(np.ptp(x), np.ptp(y), np.ptp(z), ROUNDING_MM))
    turns = 2.0 * np.pi * np.arange(3) / 3.0
    bearing = np.stack([np.cos(turns), np.sin(turns), np.full(3, OVER / AROUND)], axis=1)
    bearing *= AROUND * spread  # (3, 3), a point a row
    which = np.full(3, -1)
    for _ in range(MOST_STEPS):
        corners = np.column_stack([bearing[:, :2], np.ones(3)])
        a, b, c = np.linalg.solve(corners, bearing[:, 2])
        over = z - (a * x + b * y + c)
        lowest = int(np.argmin(over))
        if over[lowest] >= -ROUNDING_MM:
            break
        # Shares of the corners in the place, and in the new point.
        ours, its = np.linalg.solve(corners.T, [[0.0, x[lowest]], [0.0, y[lowest]], [1.0, 1.0]]).T
        leaves = int(np.argmin(np.where(its > 0.0, ours / np.where(its > 0.0, its, 1.0), np.inf)))
        bearing[leaves], which[leaves] = (x[lowest], y[lowest], z[lowest]), lowest
    else:
        return None
    if (which < 0).any():
        return None
    return np.array([a, b, c - a * place_mm[0] - b * place_mm[1]])
