"""Places on the rim told as on a clock: seen into the opening, 12 is the front of the arch."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from volest.cavity.frame import Bools, Floats, Ints
from volest.lab import FirstPour, Trimming

if TYPE_CHECKING:  # a result that was kept is read without scipy
    from scipy.spatial import ConvexHull

    from volest.cavity.base_line import BasePlane
    from volest.cavity.columns import Grid
    from volest.cavity.footprint import Footprint
    from volest.cavity.height_map import HeightMap
    from volest.cavity.rim import Rim

HOURS = 12
# How much longer than broad an outline is: of arches seen 1.02 to 1.32, of quadrants 1.99 to 2.28.
QUADRANT = 1.6
# From the row's bow: it was off by 10 degrees at most on made jaws and by 56 on one that lacks the
# teeth of one side; ragged scans of real jaws had outlines that were off by 70 to 170.
ASTRAY_DEG, LEAST_BOW_MM = 60.0, 1.0  # bows seen were 1.8 mm and more
ON_EDGE = 1e-9  # cells; a middle on the hull's edge is in it, however figures are rounded


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clock:
    """A dial over the footprint."""

    centre_mm: Floats  # (2,) middle of the dial, in the frame
    front: Floats  # (2,) unit vector from there to 12
    is_arch: bool = True  # of a quadrant 12 is the narrower end of its row, not the arch's front

    def dial(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Tell where places (m,) lie on the dial, clockwise: 0 is 12, -6 and 6 are 6 o'clock."""
        x, y = x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]
        ahead = x * self.front[0] + y * self.front[1]
        right = x * self.front[1] - y * self.front[0]
        return np.asarray(np.arctan2(right, ahead) * HOURS / (2.0 * np.pi))

    def hours(self, x_mm: Floats, y_mm: Floats) -> Ints:
        """Tell the hour at which places lie, clockwise as seen into the opening.

        `x_mm`, `y_mm` (m,); gives (m,).
        """
        hour = np.rint(self.dial(x_mm, y_mm)).astype(np.int64)
        return np.asarray((hour - 1) % HOURS + 1)


def find_clock(grid: "Grid", inside: Bools, deep: Bools) -> Clock:
    """Lay the dial: an arch narrows to the front, so its outline leans out that way.

    The front is the direction of the largest skewness of the convex outline along its principal
    axes. Where a ragged outline leans another way than the row's bow, of `deep` floor, that counts:
    a bow's middle lies before that of its hull. Of a quadrant it is the narrower end.
    """
    centre, places = _about_middle(grid, convex_outline(inside))
    spread, axes = np.linalg.eigh(places @ places.T)
    along = axes.T @ places
    skew = (along * along * along).mean(axis=1)
    main = int(np.argmax(np.abs(skew)))
    front = axes[:, main] * (1.0 if skew[main] >= 0.0 else -1.0)
    is_arch = bool(main == 0 or spread[1] < QUADRANT**2 * spread[0])  # front teeth alone lie across
    bow = _about_middle(grid, deep)[0] - _about_middle(grid, convex_outline(deep))[0]
    reach = float(np.linalg.norm(bow))
    astray = front @ bow < math.cos(math.radians(ASTRAY_DEG)) * reach
    if is_arch and astray and reach > LEAST_BOW_MM:
        front = bow / reach
    return Clock(centre_mm=centre, front=front, is_arch=is_arch)


def _about_middle(grid: "Grid", cells: Bools) -> tuple[Floats, Floats]:
    """Give the middle of some cells, (2,), and the cells as seen from it, (2, m)."""
    places = np.stack([v[cells] for v in grid.centres_mm()])
    middle = places.mean(axis=1)
    return middle, places - middle[:, None]


def deep_floor(relief: "HeightMap", inside: Bools, base: "BasePlane") -> Bools:
    """Mark floor deeper under the base line than half of the deepest: the row and its ridge."""
    x, y = relief.grid.centres_mm()
    over = np.where(inside, base.heights_mm(x, y, relief.top_mm), np.inf)
    least = float(over.min())
    return np.asarray(over <= max(PIT_SHARE * least, least))  # over the line the lowest alone


def convex_hull(inside: Bools) -> "ConvexHull":
    """Lay a hull round a set of cells; in cells, and a cell counts with the middles of its sides.

    Of its `equations`, (k, 3), a row + b column + c is the distance out of each side.
    """
    from scipy.spatial import ConvexHull

    rows = np.flatnonzero(inside.any(axis=1))
    ends = (inside[rows].argmax(axis=1), inside.shape[1] - 1 - inside[rows, ::-1].argmax(axis=1))
    steps = ((-0.5, 0.0), (0.5, 0.0), (0.0, -0.5), (0.0, 0.5))
    points = [np.stack([rows + y, end + x], axis=1) for end in ends for y, x in steps]
    return ConvexHull(np.concatenate(points))


def convex_outline(inside: Bools) -> Bools:
    """Fill a set of cells up to its convex hull, row by row.

    >>> convex_outline(np.array([[1, 0, 0, 0, 1]], dtype=bool)).tolist()
    [[True, True, True, True, True]]
    """
    facets, numbers = convex_hull(inside).equations, np.flatnonzero(inside.any(axis=1))
    numbers, i = np.arange(numbers[0], numbers[-1] + 1), np.arange(inside.shape[1])
    below, above = facets[facets[:, 1] < 0.0], facets[facets[:, 1] > 0.0]
    low, high = (
        -(np.outer(each[:, 0], numbers) + each[:, 2:]) / each[:, 1:2] for each in (below, above)
    )
    outline = np.zeros_like(inside)
    outline[numbers] = (i >= low.max(axis=0)[:, None] - ON_EDGE) & (
        i <= high.min(axis=0)[:, None] + ON_EDGE
    )
    return outline


LEVEL_MM = 0.5  # what excess and gap are counted from
# Cells of a border are chained by sides and corners; over all directions a chain's cells are
# 2 sqrt(2) / pi = 0.900 of its length.
LENGTH_PER_CELL = 1.0 / 0.9003
HEAP_MM = 4.0  # a base line up to so far over the rim is poured to as a heap, without a box
# A blade cuts, and wax boxes, a few mm at a time: gaps this short are gone over, and shorter cuts
# are left unless they are twice as high. Stone runs out of any notch. Common practice, no source.
BRIDGE_MM, FAR_OFF = 5.0, 2.0
LEAST_WORK_MM = {"cut": 5.0, "box": 1.0}
INNER_MM = 3.0  # a border so far inside of the outline is the tongue's side
LANDS_MM = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
_USUAL, _POUR = Trimming(), FirstPour()
PIT_SHARE = 0.5  # of the greatest depth: deeper floor counts as pits, to be kept clear


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """The rim at one hour of the dial; heights are over the base line, negative below it."""

    hour: int  # 1 to 12; seen into the opening, 12 is the front
    length_mm: float  # length of rim
    # its height
    mean_mm: float
    most_mm: float
    least_mm: float
    # distance across from the rim to the nearest pit: what the blade must keep off
    to_pits_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A stretch of rim that is cut in one go, or boxed in."""

    what: str  # 'cut' or 'box'
    hours: tuple[int, ...]  # where it runs, clockwise
    is_inner: bool  # whether it lies on the tongue's side of an arch
    # its length, and how far it stands over the base line, or lies under it, at most
    length_mm: float
    most_mm: float
    to_pits_mm: float  # distance across to the nearest pit
    heap_mm: float = 0.0  # how far stone will stand over the base line, which wax must hold


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """Heights of the rim's crest over the base line, negative below it."""

    # its height: most, mean and least
    rim_highest_mm: float
    rim_mean_mm: float
    rim_lowest_mm: float
    # length of rim that stands more than half a millimetre over the base line
    excess_length_mm: float
    gap_length_mm: float  # length of rim that lies more than half a millimetre under it
    # how far a flat base laid on the untrimmed rim would stand off the base line
    stand_off_mm: float
    to_pits_mm: float  # least distance across from the rim to a pit
    stretches: tuple[Stretch, ...]  # the rim hour by hour
    # height of the base line over the rim, as planes; below 0 the rim is to be trimmed
    over_rim_mm: float = 0.0
    works: tuple[Work, ...] = ()  # what is to be cut or boxed in
    # how far the rest stands over the base line and lies under it, at most
    left_over_mm: float = 0.0
    left_under_mm: float = 0.0
    # from where on over and under the base line that is
    cut_over_mm: float = _USUAL.cut_over_mm
    box_under_mm: float = _USUAL.box_under_mm
    is_arch: bool = True  # of a quadrant 12 is the narrower end of its row


def find_trim(
    relief: "HeightMap",
    footprint: "Footprint",
    rim: "Rim",
    base: "BasePlane",
    clock: Clock,
    *,
    deep: Bools,
    trimming: Trimming = _USUAL,
    first_pour: FirstPour = _POUR,
) -> Trim:
    """Compare the rim with the base line."""
    from scipy.ndimage import distance_transform_edt

    over = base.heights_mm(*rim.crest_mm.T) * base.upright
    over_rim_mm = float((rim.stray_mm * base.upright - over).mean())
    pitch_mm, border = relief.grid.pitch_mm, footprint.border
    step_mm = pitch_mm * LENGTH_PER_CELL
    to_pits = distance_transform_edt(~deep)[border] * pitch_mm
    hours = clock.hours(rim.crest_mm[:, 0], rim.crest_mm[:, 1])
    stretches = []
    for hour in np.unique(hours).tolist():
        own, own_to_pits = over[hours == hour], to_pits[hours == hour]
        stretch = Stretch(
            hour=hour,
            length_mm=len(own) * step_mm,
            mean_mm=float(own.mean()),
            most_mm=float(own.max()),
            least_mm=float(own.min()),
            to_pits_mm=float(own_to_pits.min()),
        )
        stretches.append(stretch)
    is_heap = 0.0 < over_rim_mm <= HEAP_MM
    limits_mm = {
        "cut_over_mm": trimming.cut_over_mm,
        "box_under_mm": trimming.box_under_mm + (over_rim_mm if is_heap else 0.0),
    }
    is_inner = on_tongue_side(footprint, pitch_mm)
    works, worked = [], np.zeros(len(over), dtype=bool)
    for what, at, off in stretches_off(border, over, pitch_mm, **limits_mm):
        worked |= at
        work = Work(
            what=what,
            hours=_clockwise(hours[off]),
            is_inner=bool(is_inner[off].mean() > 0.5),  # noqa: PLR2004  # most of it
            length_mm=float(np.count_nonzero(off)) * pitch_mm * LENGTH_PER_CELL,
            most_mm=float(np.abs(over[off]).max()),
            to_pits_mm=float(to_pits[off].min()),
            heap_mm=first_pour.over_line_mm(over_rim_mm),
        )
        works.append(work)
    rest = over[~worked]
    return Trim(
        rim_highest_mm=float(over.max()),
        rim_mean_mm=float(over.mean()),
        rim_lowest_mm=float(over.min()),
        excess_length_mm=float(np.count_nonzero(over > LEVEL_MM)) * step_mm,
        gap_length_mm=float(np.count_nonzero(over < -LEVEL_MM)) * step_mm,
        stand_off_mm=_stand_off_mm(rim.crest_mm[:, :2], over, clock.centre_mm),
        to_pits_mm=float(to_pits.min()),
        stretches=tuple(stretches),
        over_rim_mm=over_rim_mm,
        works=tuple(works),
        left_over_mm=float(rest.max(initial=0.0)),
        left_under_mm=float(-rest.min(initial=0.0)),
        **limits_mm,
        is_arch=clock.is_arch,
    )


def stretches_off(
    border: Bools, over_mm: Floats, pitch_mm: float, *, cut_over_mm: float, box_under_mm: float
) -> list[tuple[str, Bools, Bools]]:
    """Find the stretches of a border, its cells `over_mm` (m,), that are cut or boxed in one go.

    What is done, its cells with the gaps that are gone over, and those of them that are off, (m,).
    """
    from scipy.ndimage import label

    from volest.cavity.cells import within

    found = []
    for what, beyond_mm, from_mm in (
        ("cut", over_mm, cut_over_mm),
        ("box", -over_mm, box_under_mm),
    ):
        marked = np.zeros_like(border)
        marked[border] = beyond_mm > from_mm
        if not marked.any():
            continue
        pieces, count = label(within(marked, BRIDGE_MM / 2.0 / pitch_mm), np.ones((3, 3)))
        for number in range(1, count + 1):
            at = pieces[border] == number
            off = at & (beyond_mm > from_mm)
            length_mm = float(np.count_nonzero(off)) * pitch_mm * LENGTH_PER_CELL
            if length_mm >= LEAST_WORK_MM[what] or beyond_mm[off].max() >= FAR_OFF * from_mm:
                found.append((what, at, off))
    return found


def _clockwise(hours: Ints) -> tuple[int, ...]:
    """Order hours so that they run on from one to the next, after the widest gap on the dial."""
    seen = np.unique(hours)
    after_gap = int(np.argmax(np.diff(seen, prepend=seen[-1] - HOURS)))
    return tuple(int(hour) for hour in np.roll(seen, -after_gap))


def on_tongue_side(footprint: "Footprint", pitch_mm: float) -> Bools:
    """Say of each border cell, (m,), whether it lies well inside of the convex outline."""
    sides = convex_hull(footprint.inside).equations
    out = (np.argwhere(footprint.border) @ sides[:, :2].T + sides[:, 2]).max(axis=1)
    return np.asarray(out * pitch_mm < -INNER_MM)


def base_areas(inside: Bools, pitch_mm: float) -> tuple[tuple[float, float, float], ...]:
    """Give the area of a base by its land: land in mm, area in mm2 without and with tongue space.

    Any outline grows as all places within the land's width of it.
    """
    from scipy.ndimage import distance_transform_edt

    margin = math.ceil(LANDS_MM[-1] / pitch_mm) + 1
    rows, columns = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    inside = inside[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    held, hull = np.count_nonzero(inside), convex_hull(inside)
    # From a cell's middle to the outline, half a cell outside of the last middle; a cell that is
    # cut by the land's edge counts in part.
    off = distance_transform_edt(~np.pad(inside, margin)) - 0.5
    off = off[(off > 0.0) & (off < margin)]
    areas = []
    for land_mm in LANDS_MM:
        land = land_mm / pitch_mm
        bare = held + np.clip(land - off + 0.5, 0.0, 1.0).sum()
        whole = hull.volume + hull.area * land + math.pi * land**2  # Steiner; in plane its measures
        areas.append((land_mm, float(bare * pitch_mm**2), float(max(bare, whole) * pitch_mm**2)))
    return tuple(areas)


def _stand_off_mm(places_mm: Floats, over_mm: Floats, middle_mm: Floats) -> float:
    """Lay a plane on the crest's highest points and read its height over the middle."""
    from volest.cavity.base_line import resting_plane

    plane = resting_plane(np.vstack([places_mm.T, -over_mm]), middle_mm)  # upside down
    if plane is None:  # a crest in one line: a cast stands on its highest point
        return float(over_mm.max())
    return float(-(plane[:2] @ middle_mm + plane[2]))
