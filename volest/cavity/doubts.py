"""What a person should look at before mixing, and what is too doubtful to measure at all."""

import math
from collections.abc import Sequence

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.clock import Clock
from volest.cavity.footprint import Footprint
from volest.cavity.pose import Pose
from volest.cavity.rooms import Air, Rooms
from volest.cavity.trim import LEVEL_MM, Stretch, Trim
from volest.cavity.unseen import Closing
from volest.cavity.volume import Volume, column_volumes_ml
from volest.errors import ScanError
from volest.notes import Note

LEAST_ML = 0.05  # a drop; less than that is a base line beside the cavity
HIGHEST_MM = 10.0  # over the rim: no first pour stands so high without a box round it
# Of what the rim could hold: less is more likely a slip of the decimal point. It cannot be raised:
# rim=-5 on the samples (0.59 to 0.72) fills as much as depth=18, which labs use, and leaves no
# island of floor bare; a test for islands rings at rim=-1 on a sound scan with a high palate.
LEAST_FILLED = 0.5
LOWERED_MM = 5.0  # a base line is hardly lowered by more to get past a gap in the rim
MOST_DISCORD = 0.1  # of the volume: beyond it neither way can be believed
LEAST_HOLE_MM2 = 0.5  # one cell or two are the grid's, not the scanner's
MOST_HOLE_SHARE = 0.1  # of the footprint: a filled floor is a guess, and a tenth is too much of it
LEAST_SEALED_ML = 0.02
LEFT_OUT_SHARE = 1.0 / 6.0  # of the cavity: smaller hollows are those of tray and handle
PIECE_SHARE = 0.05  # of the whole: smaller pieces of a footprint are dents beside it
PLACE_SHARE = 0.03  # of what was not seen: an hour with less is not worth a look
TWO = 2
# Mean depth up to the rim. Crowns are 7 to 11 mm high [Wheeler], trays 15-30 outside (common
# practice, no source). A small outline is of a few teeth, a wide one may be toothless and low.
DEPTH_MM = (3.0, 21.0)
SMALL_MM2, SMALL_DEPTH_MM = 1000.0, 6.0
LEAST_AIR_ML = 0.02  # a bubble of 3.4 mm; smaller ones are the vibrator's to drive out
ALIKE = 0.5  # of what the chosen axis holds: on sound scans the next axis held a fifth at most
AXIS_UNSURE = "axis-unsure"
SEVERAL, LEFT_OUT = "several-cavities", "hollow-left-out"
JOINED = {SEVERAL, LEFT_OUT}  # either may be impressions that one surface joins
PLAIN_TALK = "look at the scan before mixing"


def find_doubts(
    *,
    pose: Pose | None,
    footprint: Footprint,
    base: BasePlane,
    rooms: Rooms,
    air: Air,
    trim: Trim,
    clock: Clock,
    volume: Volume,
    closing: Closing | None = None,
) -> tuple[Note, ...]:
    """Collect the notes of one measurement."""
    _refuse_base_line(trim, volume)
    _refuse_holes(rooms, volume)
    if closing is None:  # the exact sum lacks what was closed
        _refuse_discord(volume)
    to_rim_ml = float(column_volumes_ml(rooms, np.array([trim.rim_mean_mm / base.upright]))[0])
    doubts = [
        _axis(pose),
        *base.notes,
        _odd_volume(rooms, to_rim_ml),
        _low_line(trim, volume, to_rim_ml),
        _ends_early(footprint, base),
        _leak(rooms),
        _boxing(trim),
        _unseen(closing, clock),
        _holes(rooms),
        _sealed(rooms),
        _air(air, clock),
        _several(rooms),
        _left_out(footprint, volume),
        _two_ways(volume) if closing is None else None,
    ]
    return tuple(note for note in doubts if note is not None)


def _refuse_base_line(trim: Trim, volume: Volume) -> None:
    """Refuse a base line under the cavity or far over its rim."""
    if volume.columns_ml < LEAST_ML:
        found = f"a base line with {volume.columns_ml:.2f} mL of cavity under it"
    elif trim.rim_highest_mm < -HIGHEST_MM:
        found = f"a base line {-trim.rim_highest_mm:.0f} mm over the highest point of the rim"
    else:
        return
    raise ScanError(
        found,
        needed="one between the deepest pits and the rim, or a little over it",
        remedy="give another height, or --base rim",
        code="base-misses",
    )


def _refuse_holes(rooms: Rooms, volume: Volume) -> None:
    """Refuse a scan of which too much is missing."""
    if rooms.hole_mm2 > MOST_HOLE_SHARE * volume.footprint_mm2:
        raise ScanError(
            f"{rooms.hole_mm2:.0f} mm2 of {volume.footprint_mm2:.0f} mm2 floor missing",
            needed="a floor with less than a tenth missing",
            remedy="scan again, tilted so that the deep pits are seen",
            code="holes",
        )


def _refuse_discord(volume: Volume) -> None:
    """Refuse a scan of which two ways of measuring say quite different things."""
    if volume.disagreement_ml > MOST_DISCORD * volume.columns_ml:
        raise ScanError(
            f"{volume.columns_ml:.1f} mL by columns and {volume.prisms_ml:.1f} mL by the exact sum",
            needed="a surface of which both say the same",
            remedy="scan again, or clean the mesh (second skins, crossing parts) and export again",
            code="unsound",
        )


def _axis(pose: Pose | None) -> Note | None:
    if pose is None or pose.runner_up <= ALIKE:
        return None
    return Note(
        code=AXIS_UNSURE,
        text=f"along another axis the scan holds {100 * pose.runner_up:.0f} % as much",
        do="give the base line by --base plane=... after a look at the scan",
    )


def _odd_volume(rooms: Rooms, to_rim_ml: float) -> Note | None:
    """Note a cavity too shallow or too deep for its outline, as a wrong unit makes it."""
    outline_mm2 = rooms.covered_mm2
    small = outline_mm2 < SMALL_MM2
    least_mm, most_mm = (SMALL_DEPTH_MM if small else DEPTH_MM[0]), DEPTH_MM[1]
    depth_mm = 1000.0 * to_rim_ml / outline_mm2
    if least_mm <= depth_mm <= most_mm:
        return None
    return Note(
        code="odd-volume",
        text=f"up to the rim the cavity holds {to_rim_ml:.1f} mL over {outline_mm2:.0f} mm2, "
        f"{depth_mm:.1f} mm deep on average; impressions {'under' if small else 'from'} "
        f"{SMALL_MM2:.0f} mm2 are {least_mm:.0f} to {most_mm:.0f} mm deep",
        do="measure the impression with a ruler; if the scan has not its size, give the scan's "
        "--unit",
    )


def _low_line(trim: Trim, volume: Volume, to_rim_ml: float) -> Note | None:
    """Note a base line far under the rim, which leaves most of the cavity empty."""
    if volume.columns_ml >= LEAST_FILLED * to_rim_ml:
        return None
    return Note(
        code="low-line",
        text=f"the base line lies {trim.rim_mean_mm:.1f} mm under the rim; up to the rim the "
        f"cavity holds {to_rim_ml:.1f} mL",
        do="check the height that was given, its decimal point first, and that stone will cover "
        "the floor",
    )


def _ends_early(footprint: Footprint, base: BasePlane) -> Note | None:
    if base.how != "rim" or footprint.has_passed_rim:
        return None
    return Note(
        code="rim-not-seen",
        text=f"the scan ends while its walls still rise, over {100 * footprint.rising_share:.0f} % "
        "of its edge; the base line lies where the scan ends",
        do="scan again with the rim in view, or give the base line",
    )


def _leak(rooms: Rooms) -> Note | None:
    if not rooms.leaks:
        return None
    return Note(
        code="leak",
        text="a hole runs through a wall under the base line",
        do="stop it with wax before the pour, or stone runs out",
    )


def _boxing(trim: Trim) -> Note | None:
    if trim.gap_length_mm == 0.0:
        return None
    lower_mm = math.ceil(-10.0 * trim.rim_lowest_mm) / 10.0
    lower = f", or choose a base line lower by {lower_mm:.1f} mm" if lower_mm <= LOWERED_MM else ""
    return Note(
        code="needs-boxing",
        text=f"the rim lies below the base line over about {trim.gap_length_mm:.0f} mm, "
        f"{_how_low(trim)} (seen into the opening, 12 is the front); measured as if boxed in there",
        do=f"box in that stretch before the pour{lower}",
    )


def _how_low(trim: Trim) -> str:
    """Part the deepest gaps from rim that only waves."""
    low = [part for part in trim.stretches if part.least_mm < -LEVEL_MM]
    half_mm = trim.rim_lowest_mm / 2.0
    deep = [part for part in low if part.least_mm <= half_mm]
    rest = [part for part in low if part.least_mm > half_mm]
    all_round = len(deep) == len(trim.stretches)
    where = "all round" if all_round else f"at {_hours(deep)} o'clock"
    words = f"by up to {-trim.rim_lowest_mm:.1f} mm {where}"
    if not rest:
        return words
    ends = (f"{-end(part.least_mm for part in rest):.1f}" for end in (max, min))
    return f"{words}, by {' to '.join(dict.fromkeys(ends))} mm at {_hours(rest)}"


def _hours(stretches: Sequence[Stretch]) -> str:
    return ", ".join(str(part.hour) for part in stretches)


def _unseen(closing: Closing | None, clock: Clock) -> Note | None:
    if closing is None:
        return None
    hours, counts = np.unique(clock.hours(*closing.places_mm[:2]), return_counts=True)
    many = hours[counts >= PLACE_SHARE * counts.sum()]
    return Note(
        code="unseen-surface",
        text=f"about {closing.area_mm2:.0f} mm2 of walls and roofs below the base line are not in "
        f"the scan, at {', '.join(map(str, many))} o'clock (seen into the opening, 12 is the "
        "front); closed as the rest of the scan suggests",
        do="scan again tilted towards there, or pour with this mix: up to "
        f"{closing.more_ml:.1f} mL more may be hidden there, and it has them in reserve",
    )


def _holes(rooms: Rooms) -> Note | None:
    if rooms.hole_mm2 <= LEAST_HOLE_MM2:
        return None
    return Note(
        code="holes-filled",
        text=f"{rooms.hole_mm2:.1f} mm2 of the floor are missing; filled from their border with "
        f"{rooms.hole_ml:.2f} mL over them",
        do=f"{PLAIN_TALK}; scan again if a preparation is among the missing parts",
    )


def _sealed(rooms: Rooms) -> Note | None:
    if rooms.sealed_ml <= LEAST_SEALED_ML:
        return None
    return Note(
        code="sealed-room",
        text=f"{rooms.sealed_ml:.2f} mL lie in bubbles that stone cannot reach; left out",
        do="open them or take the impression again if they touch a preparation",
    )


def _several(rooms: Rooms) -> Note | None:
    pieces_ml = rooms.pieces_ml
    large = pieces_ml[pieces_ml > PIECE_SHARE * pieces_ml.sum()]
    if len(large) < TWO:
        return None
    return Note(
        code=SEVERAL,
        text="the scan has "
        + " and ".join(f"{ml:.1f} mL" for ml in sorted(large)[::-1])
        + " in cavities apart; they are added up",
        do="if these are two impressions, scan or export each for itself",
    )


def _left_out(footprint: Footprint, volume: Volume) -> Note | None:
    if footprint.left_out_ml <= LEFT_OUT_SHARE * volume.best_ml:
        return None
    return Note(
        code=LEFT_OUT,
        text=f"a hollow that holds {footprint.left_out_ml:.1f} mL lies lower than the rim of this "
        "cavity and is not counted",
        do="look at the scan; if it is a second impression, scan or export each for itself",
    )


def _air(air: Air, clock: Clock) -> Note | None:
    if air.place_mm is None or air.trapped_ml <= LEAST_AIR_ML:
        return None
    hour = int(clock.hours(air.place_mm[:1], air.place_mm[1:])[0])
    return Note(
        code="air-trap",
        text=f"{air.trapped_ml:.2f} mL under roofs with no way up for the air, near {hour} o'clock "
        "(seen into the opening, 12 is the front)",
        do="lead the stone in from one side and tilt the tray there, so that air can leave",
    )


def _two_ways(volume: Volume) -> Note | None:
    if volume.agreed:
        return None
    return Note(
        code="ways-differ",
        text=f"columns give {volume.columns_ml:.1f} mL, the exact sum {volume.prisms_ml:.1f} mL; "
        "the columns are reported and the interval is widened",
        do=f"{PLAIN_TALK}; the mesh may be damaged or cut off",
    )
