"""What is too doubtful to measure, what to look at before mixing, and the volume's interval."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.footprint import Footprint
from volest.cavity.frame import Floats
from volest.cavity.pose import Pose
from volest.cavity.rim import Rim
from volest.cavity.trim import Clock, Trim
from volest.cavity.unseen import Closing
from volest.cavity.void import LEAST_AIR_ML, Air, ReachableVoid
from volest.cavity.volume import Volume, column_volumes_ml
from volest.errors import ScanError
from volest.notes import Note

LEAST_ML = 0.05  # a drop; less than that is a base line beside the cavity
HIGHEST_MM = 10.0  # over the rim: no first pour stands so high without a box round it
# Of what the rim could hold: less is more likely a slip of the decimal point. It cannot be raised:
# rim=-5 on the samples (0.59 to 0.72) fills as much as depth=18, which labs use, and leaves no
# island of floor bare; a test for islands rings at rim=-1 on a sound scan with a high palate.
LEAST_FILLED = 0.5
MOST_DISCORD = 0.1  # of the volume: beyond it neither way can be believed
LEAST_HOLE_MM2 = 0.5  # one cell or two are the grid's, not the scanner's
MOST_HOLE_SHARE = 0.1  # of the footprint: a filled floor is a guess, and a tenth is too much of it
LEAST_SEALED_ML = 0.02
LEFT_OUT_SHARE = 1.0 / 6.0  # of the cavity: smaller hollows are those of tray and handle
PIECE_SHARE = 0.05  # of the whole: smaller pieces of a footprint are dents beside it
PLACE_SHARE = 0.03  # of what was not seen: an hour with less is not worth a look
# Mean depth up to the rim. Crowns are 7 to 11 mm high [Wheeler], trays 15-30 outside (common
# practice, no source). A small outline is of a few teeth, a wide one may be toothless and low.
DEPTH_MM = (3.0, 21.0)
SMALL_MM2, SMALL_DEPTH_MM = 1000.0, 6.0
ALIKE = 0.5  # of what the chosen axis holds: on sound scans the next axis held a fifth at most
AXIS_UNSURE = "axis-unsure"
SEVERAL, LEFT_OUT = "several-cavities", "hollow-left-out"
JOINED = {SEVERAL, LEFT_OUT}  # either may be impressions that one surface joins


def find_doubts(
    *,
    pose: Pose | None,
    footprint: Footprint,
    base: BasePlane,
    rooms: ReachableVoid,
    air: Air,
    trim: Trim,
    clock: Clock,
    volume: Volume,
    closing: Closing | None = None,
) -> tuple[Note, ...]:
    """Collect the notes of one measurement, or refuse it."""
    _refuse(rooms, trim, volume, is_whole=closing is None)
    runner_up = 0.0 if pose is None else pose.runner_up
    return (
        *((Note(AXIS_UNSURE, share_percent=100 * runner_up),) if runner_up > ALIKE else ()),
        *_of_the_rim(footprint, base, rooms, trim, volume),
        *_of_the_cavity(footprint, rooms, air, clock, volume, closing=closing),
    )


def _refuse(rooms: ReachableVoid, trim: Trim, volume: Volume, *, is_whole: bool) -> None:
    """Refuse a base line beside the cavity, too much that is missing, and two ways far apart."""
    wrong_line = ""
    if volume.columns_ml < LEAST_ML:
        wrong_line = f"a base line with {volume.columns_ml:.2f} mL of cavity under it"
    elif trim.rim_highest_mm < -HIGHEST_MM:
        wrong_line = f"a base line {-trim.rim_highest_mm:.0f} mm over the highest point of the rim"
    if wrong_line:
        raise ScanError(
            wrong_line,
            needed="one between the deepest pits and the rim, or a little over it",
            remedy="give another height, or follow the rim",
            code="base-misses",
        )
    if rooms.hole_mm2 > MOST_HOLE_SHARE * volume.footprint_mm2:
        raise ScanError(
            f"{rooms.hole_mm2:.0f} mm2 of {volume.footprint_mm2:.0f} mm2 floor missing",
            needed="a floor with less than a tenth missing",
            remedy="scan again, tilted so that the deep pits are seen",
            code="holes",
        )
    # Where surface was closed, the exact sum lacks what is under it.
    if is_whole and volume.disagreement_ml > MOST_DISCORD * volume.columns_ml:
        raise ScanError(
            f"{volume.columns_ml:.1f} mL by columns and {volume.prisms_ml:.1f} mL by the exact sum",
            needed="a surface of which both say the same",
            remedy="scan again, or clean the mesh (second skins, crossing parts) and export again",
            code="unsound",
        )


def _of_the_rim(
    footprint: Footprint, base: BasePlane, rooms: ReachableVoid, trim: Trim, volume: Volume
) -> Iterator[Note]:
    """Doubt the base line, a depth as of a wrong unit, and where the cavity ends."""
    yield from base.notes
    to_rim_ml = float(column_volumes_ml(rooms, np.array([trim.rim_mean_mm / base.upright]))[0])
    outline_mm2, (least_mm, most_mm) = rooms.covered_mm2, DEPTH_MM
    if outline_mm2 < SMALL_MM2:
        least_mm = SMALL_DEPTH_MM
    depth_mm = 1000.0 * to_rim_ml / outline_mm2
    if not least_mm <= depth_mm <= most_mm:
        yield Note(
            "odd-volume",
            to_rim_ml=to_rim_ml,
            outline_mm2=outline_mm2,
            depth_mm=depth_mm,
            small_mm2=SMALL_MM2,
            least_mm=least_mm,
            most_mm=most_mm,
        )
    if volume.columns_ml < LEAST_FILLED * to_rim_ml:
        yield Note("low-line", under_mm=trim.rim_mean_mm, to_rim_ml=to_rim_ml)
    if base.how == "rim" and not footprint.has_passed_rim:
        yield Note("rim-not-seen", share_percent=100 * footprint.rising_share)
    if rooms.leaks:
        yield Note("leak")
    if boxed := [work for work in trim.works if work.what == "box"]:
        yield Note(
            "needs-boxing",
            lengths_mm=tuple(work.length_mm for work in boxed),
            lows_mm=tuple(work.most_mm for work in boxed),
            first_hours=tuple(work.hours[0] for work in boxed),
            last_hours=tuple(work.hours[-1] for work in boxed),
            heap_mm=boxed[0].heap_mm,
        )


def _of_the_cavity(
    footprint: Footprint,
    rooms: ReachableVoid,
    air: Air,
    clock: Clock,
    volume: Volume,
    *,
    closing: Closing | None,
) -> Iterator[Note]:
    """Doubt what the scan lacks, what stone does not reach, and what may be of another cavity."""
    if closing is not None:
        hours = _hours_of(clock, *closing.places_mm[:2])
        more_ml = closing.more_ml
        yield Note("unseen-surface", area_mm2=closing.area_mm2, hours=hours, more_ml=more_ml)
    if rooms.hole_mm2 > LEAST_HOLE_MM2:
        hours = _hours_of(clock, *rooms.grid.places_mm(rooms.hole_cell))
        yield Note("holes-filled", hole_mm2=rooms.hole_mm2, hole_ml=rooms.hole_ml, hours=hours)
    if rooms.sealed_ml > LEAST_SEALED_ML:
        yield Note("sealed-room", sealed_ml=rooms.sealed_ml)
    if air.place_mm is not None and air.trapped_ml > LEAST_AIR_ML:
        hour = int(clock.hours(*air.place_mm))
        yield Note("air-trap", trapped_ml=air.trapped_ml, hour=hour)
    pieces_ml = rooms.pieces_ml
    large = pieces_ml[pieces_ml > PIECE_SHARE * pieces_ml.sum()]
    if len(large) > 1:
        yield Note(SEVERAL, pieces_ml=tuple(sorted(large.tolist(), reverse=True)))
    if footprint.left_out_ml > LEFT_OUT_SHARE * volume.best_ml:
        yield Note(LEFT_OUT, left_out_ml=footprint.left_out_ml)
    if closing is None and not volume.agreed:
        yield Note("ways-differ", columns_ml=volume.columns_ml, exact_ml=volume.prisms_ml)


def _hours_of(clock: Clock, x_mm: Floats, y_mm: Floats) -> tuple[int, ...]:
    """Give the hours at which a fair share of some places, (m,), lies."""
    hours, counts = np.unique(clock.hours(x_mm, y_mm), return_counts=True)
    return tuple(hours[counts >= PLACE_SHARE * counts.sum()].tolist())


COVERAGE = 2.0  # k = 2: about 95 % if normal (JCGM 100:2008, 6.3)
SURFACE_U_MM = 0.02  # bench scanners, trueness 11 to 50 um as largest errors (PMC10812911)
LEAST_PITCH_SHARE = 2e-4  # two sums never agree by chance alone
HOLE_U_SHARE = 0.45  # of a hole's radius: how far a filled floor may be off
BORDER_U_MM = 0.5  # how well the border across a gap is known on a crest
BORDER_U_SHARE = 0.6  # and on a flat rim, of its width
LEAK_U_SHARE = 0.5  # of the room under roofs: wax may close a tunnel at either of its ends


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """How far the volume may be off."""

    # name and standard uncertainty in mL of each part, the largest first
    parts_ml: tuple[tuple[str, float], ...]
    # how far unseen surface may take the volume down and up, beside those
    less_ml: float = 0.0
    more_ml: float = 0.0

    @property
    def below_ml(self) -> float:
        """How far the interval reaches below the volume, with coverage factor 2."""
        return self._expanded_ml(self.less_ml)

    @property
    def above_ml(self) -> float:
        """How far it reaches above it."""
        return self._expanded_ml(self.more_ml)

    def _expanded_ml(self, unseen_ml: float) -> float:
        parts = [COVERAGE * u for _, u in self.parts_ml]
        return float(np.hypot(np.linalg.norm(parts), unseen_ml))


def find_uncertainty(
    volume: Volume, rooms: ReachableVoid, rim: Rim, base: BasePlane, closing: Closing | None = None
) -> Uncertainty:
    """Add up what the volume is unsure of.

    The law is u^2 = sum of u_i^2 for independent parts (JCGM 100:2008, 5.1.2).
    """
    hole_radius_mm = np.sqrt(rooms.hole_mm2 / np.pi)
    over = base.heights_mm(*rim.crest_mm.T)
    # Where surface is closed the exact sum lacks it: that says nothing about the pitch.
    disagreement_ml = volume.disagreement_ml if closing is None else 0.0
    gap_mm2 = float(-over[over < 0.0].sum()) * rooms.grid.pitch_mm
    border_mm3 = max(BORDER_U_MM, BORDER_U_SHARE * rim.land_width_mm) * gap_mm2
    leak_mm3 = LEAK_U_SHARE * rooms.roofed_mm3 if rooms.leaks else 0.0
    parts_mm3 = {
        "base line": base.height_u_mm * volume.slope_ml_per_mm * 1000.0,
        "border": float(np.hypot(border_mm3, leak_mm3)),
        "holes": HOLE_U_SHARE * hole_radius_mm * rooms.hole_mm2,
        "pitch": 1000.0 * max(disagreement_ml, LEAST_PITCH_SHARE * volume.columns_ml),
        "surface": SURFACE_U_MM * volume.footprint_mm2,
    }
    ranked = sorted(parts_mm3.items(), key=lambda part: -part[1])
    return Uncertainty(
        parts_ml=tuple((name, u / 1000.0) for name, u in ranked),
        less_ml=0.0 if closing is None else closing.less_ml,
        more_ml=0.0 if closing is None else closing.more_ml,
    )
