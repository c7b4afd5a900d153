"""One scan to one result: the stages called in order, nothing else."""

import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from volest.cavity.base_line import BasePlane, find_base_line
from volest.cavity.doubts import find_doubts
from volest.cavity.footprint import find_footprint
from volest.cavity.frame import Frame, frame_along
from volest.cavity.margin import find_margin
from volest.cavity.polarity import by_coordinate, find_skin, refuse_cast
from volest.cavity.pose import Pose, Samples, find_pose, spread_samples
from volest.cavity.relief import relief_of_columns
from volest.cavity.rim import Rim, find_rim
from volest.cavity.rooms import find_rooms
from volest.cavity.trim import Trim, find_trim
from volest.cavity.volume import find_volume
from volest.errors import ScanError
from volest.notes import Note
from volest.scan.reading import Scan, read_scan
from volest.settings import Settings
from volest.stone.mix import Mix
from volest.stone.pours import first_pour, second_pour

MEASURED = "measured"
NOTED = "measured with notes"
REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseLine:
    """The plane up to which the first pour fills, in the scan's own frame.

    Parameters
    ----------
    point_mm : tuple of float
        A point of the plane.
    normal : tuple of float
        Unit normal, out of the opening.
    how : str
        How it was found: 'rim', 'depth', 'cover', 'plane' or 'saved'.
    """

    point_mm: tuple[float, float, float]
    normal: tuple[float, float, float]
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What volest says of one scan; None where nothing was measured.

    Parameters
    ----------
    scan : str
        Path of the scan as it was given.
    outcome : str
        'measured', 'measured with notes' or 'refused'.
    seconds : float
        Time from opening the file to the result.
    volume_ml, volume_low_ml, volume_high_ml : float or None
        Cavity up to the base line, and its interval.
    base_line : BaseLine or None
        The plane up to which was measured.
    footprint_mm2 : float or None
        Area that the cavity covers, seen along the pour axis.
    slope_ml_per_mm : float or None
        Growth of the volume with the base line's height.
    curve : tuple
        Heights over the base line in mm, and volumes in mL.
    mix : Mix or None
        The first pour.
    second_pour : Mix or None
        The base; None where none is asked for.
    trim : Trim or None
        The rim against the base line.
    notes : tuple of Note
        What a person should look at.
    reason, code : str or None
        Why the scan is refused: the sentence, and its short name.
    """

    scan: str
    outcome: str
    seconds: float
    volume_ml: float | None = None
    volume_low_ml: float | None = None
    volume_high_ml: float | None = None
    base_line: BaseLine | None = None
    footprint_mm2: float | None = None
    slope_ml_per_mm: float | None = None
    curve: tuple[tuple[float, float], ...] = ()
    mix: Mix | None = None
    second_pour: Mix | None = None
    trim: Trim | None = None
    notes: tuple[Note, ...] = field(default=())
    reason: str | None = None
    code: str | None = None


def size_scan(path: Path, settings: Settings) -> Result:
    """Read one scan, measure its cavity and size the mix.

    Parameters
    ----------
    path : Path
        The scan.
    settings : Settings
        How to measure and to mix.

    Returns
    -------
    Result
        What was found, or why the scan is refused.
    """
    start = time.perf_counter()
    try:
        result = measure(read_scan(path, unit=settings.unit), settings)
    except ScanError as fault:
        result = Result(
            scan=str(path), outcome=REFUSED, seconds=0.0, reason=str(fault), code=fault.code
        )
    return replace(result, scan=str(path), seconds=time.perf_counter() - start)


def measure(scan: Scan, settings: Settings) -> Result:
    """Measure the cavity of one scan and size the mix.

    Parameters
    ----------
    scan : Scan
        The scan.
    settings : Settings
        How to measure and to mix.

    Returns
    -------
    Result
        What was found; its time is left at 0.

    Raises
    ------
    ScanError
        When the scan cannot be measured.
    """
    corners = by_coordinate(scan.triangles)
    samples = spread_samples(corners)
    pose = None if settings.base.how == "plane" else find_pose(samples)
    frame = _frame(settings, samples, pose)
    skin = find_skin(corners, samples, frame, settings.pitch_mm)
    relief = relief_of_columns(skin.columns)
    footprint = find_footprint(relief)
    turned = refuse_cast(
        is_open=samples.is_open,
        turned=skin.turned and not settings.inside_out,
        rising_share=footprint.rising_share,
    )
    rim = find_rim(relief, footprint, skin.corners_mm.reshape(3, -1))
    base = find_base_line(settings.base, relief, footprint.inside, rim, frame)
    rooms = find_rooms(skin.columns, relief, footprint, rim, base)
    volume = find_volume(skin.corners_mm, rooms, base)
    trim = find_trim(rim, base, settings.pitch_mm)
    doubts = find_doubts(pose=pose, base=base, rooms=rooms, trim=trim, volume=volume)
    margin = find_margin(volume, rooms, rim, base)
    first = first_pour(volume.best_ml, settings)
    second = second_pour(volume.footprint_mm2, settings)
    mixed = (*first.notes, *(second.notes if second else ()))
    notes = (*scan.notes, *skin.notes, *turned, *doubts, *mixed)
    return Result(
        scan=str(scan.path),
        outcome=NOTED if notes else MEASURED,
        seconds=0.0,
        volume_ml=volume.best_ml,
        volume_low_ml=max(volume.best_ml - margin.expanded_ml, 0.0),
        volume_high_ml=volume.best_ml + margin.expanded_ml,
        base_line=_in_scan(base, rim, frame),
        footprint_mm2=volume.footprint_mm2,
        slope_ml_per_mm=volume.slope_ml_per_mm,
        curve=tuple((float(h), float(v)) for h, v in volume.curve),
        mix=first,
        second_pour=second,
        trim=trim,
        notes=notes,
    )


def _frame(settings: Settings, samples: Samples, pose: Pose | None) -> Frame:
    if pose is not None:
        return frame_along(pose.axis, samples.points_mm.mean(axis=1))
    plane = np.array(settings.base.plane)
    return frame_along(plane[3:], plane[:3])


def _in_scan(base: BasePlane, rim: Rim, frame: Frame) -> BaseLine:
    """Bring the base line back into the scan's own frame, with its point amid the rim."""
    x, y = rim.crest_mm[:, :2].mean(axis=0)
    a, b, c = base.plane
    point = frame.from_frame(np.array([x, y, a * x + b * y + c]))
    normal = frame.rotation.T @ (np.array([-a, -b, 1.0]) * base.upright)
    return BaseLine(
        point_mm=(float(point[0]), float(point[1]), float(point[2])),
        normal=(float(normal[0]), float(normal[1]), float(normal[2])),
        how=base.how,
    )
