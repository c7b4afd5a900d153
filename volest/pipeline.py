"""One scan to one result: the stages called in order, nothing else."""

import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from volest.cavity.air import Air, find_air
from volest.cavity.base_line import BasePlane, find_base_line
from volest.cavity.clock import Clock, find_clock
from volest.cavity.doubts import find_doubts
from volest.cavity.footprint import Correction, Footprint, find_footprint
from volest.cavity.frame import Frame, frame_along
from volest.cavity.margin import Margin, find_margin
from volest.cavity.polarity import Skin, by_coordinate, find_skin, refuse_cast
from volest.cavity.pose import Pose, find_pose
from volest.cavity.relief import Relief, relief_of_columns
from volest.cavity.rim import Rim, find_rim
from volest.cavity.rooms import Rooms, find_rooms
from volest.cavity.samples import Samples, spread_samples
from volest.cavity.surface import LOOPS
from volest.cavity.trim import Trim, find_trim
from volest.cavity.unseen import Closing, close_unseen
from volest.cavity.volume import Volume, find_volume
from volest.errors import ScanError
from volest.notes import Note
from volest.result import MEASURED, NOTED, REFUSED, BaseLine, Result
from volest.scan.compiling import count_scan, loops
from volest.scan.decision import Decision, read_decision
from volest.scan.reading import Scan, read_scan
from volest.settings import Base, Settings
from volest.stone.pours import first_pour, second_pour


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cavity:
    """The records of all stages for one scan, for whoever draws or explains it.

    Parameters
    ----------
    frame : Frame
        The frame that all others are in.
    skin : Skin
        Triangles and columns.
    relief : Relief
        The scan from above.
    footprint : Footprint
        What the cavity covers.
    rim : Rim
        The rim.
    base : BasePlane
        The base line.
    rooms : Rooms
        What stone reaches.
    air : Air
        What stays under roofs.
    volume : Volume
        The volume.
    clock : Clock
        Names places on the rim.
    trim : Trim
        The rim against the base line.
    margin : Margin
        What the volume is unsure of.
    closing : Closing or None
        What closes unseen surface; None where all was seen.
    notes : tuple of Note
        What reading and all stages doubt.
    """

    frame: Frame
    skin: Skin
    relief: Relief
    footprint: Footprint
    rim: Rim
    base: BasePlane
    rooms: Rooms
    air: Air
    volume: Volume
    clock: Clock
    trim: Trim
    margin: Margin
    closing: Closing | None
    notes: tuple[Note, ...]

    @property
    def reserve_ml(self) -> float:
        """What is mixed beyond the volume, since unseen surface may hide so much more room."""
        return 0.0 if self.closing is None else self.closing.more_ml


def find_cavity(scan: Scan, settings: Settings, decision: Decision | None = None) -> Cavity:
    """Find and measure the cavity of one scan.

    Parameters
    ----------
    scan : Scan
        The scan.
    settings : Settings
        How to measure.
    decision : Decision or None
        What a person decided about this scan; it goes before the settings' base line.

    Returns
    -------
    Cavity
        What each stage found.

    Raises
    ------
    ScanError
        When the scan cannot be measured.
    """
    wanted = settings.base if decision is None else _decided(decision)
    samples, pose, frame, skin = _opened(scan, wanted, settings.pitch_mm)
    relief = relief_of_columns(skin.columns)
    footprint = find_footprint(relief, _corrections(decision, frame))
    pointed_away = skin.turned and not settings.inside_out
    rises = footprint.rising_share
    turned = refuse_cast(is_open=samples.is_open, turned=pointed_away, rising_share=rises)
    rim = find_rim(relief, footprint, skin.surface)
    base = find_base_line(wanted, relief, footprint.inside, rim, frame)
    rooms = find_rooms(skin.columns, relief, footprint, rim, base)
    closing = close_unseen(
        columns=skin.columns,
        surface=skin.surface,
        relief=relief,
        footprint=footprint,
        rim=rim,
        base=base,
        rooms=rooms,
        points_mm=samples.seen_in(frame),
    )
    if closing is not None:
        skin, rooms = replace(skin, columns=closing.columns), closing.rooms
    air = find_air(rooms)
    volume = find_volume(skin.surface, rooms, base)
    clock = find_clock(relief.grid, footprint.inside)
    trim = find_trim(relief, footprint, rim, base, clock)
    doubts = find_doubts(
        pose=pose,
        footprint=footprint,
        base=base,
        rooms=rooms,
        air=air,
        trim=trim,
        clock=clock,
        volume=volume,
        closing=closing,
    )
    return Cavity(
        frame=frame,
        skin=skin,
        relief=relief,
        footprint=footprint,
        rim=rim,
        base=base,
        rooms=rooms,
        air=air,
        volume=volume,
        clock=clock,
        trim=trim,
        margin=find_margin(volume, rooms, rim, base, closing),
        closing=closing,
        notes=(*scan.notes, *skin.notes, *turned, *doubts),
    )


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
        result, _ = examine(path, settings)
    except ScanError as fault:
        result = Result(
            scan=str(path), outcome=REFUSED, seconds=0.0, reason=str(fault), code=fault.code
        )
    return replace(result, seconds=time.perf_counter() - start)


def examine(path: Path, settings: Settings) -> tuple[Result, Cavity]:
    """Read and measure one scan, and keep what every stage found.

    Parameters
    ----------
    path : Path
        The scan.
    settings : Settings
        How to measure and to mix.

    Returns
    -------
    tuple of Result and Cavity
        What is said of it, and what that rests on.

    Raises
    ------
    ScanError
        When the scan is refused.
    """
    scan = read_scan(path, unit=settings.unit)
    decision = read_decision(path) if settings.obey_saved else None
    cavity = find_cavity(scan, settings, decision)
    return _result(str(path), cavity, settings), cavity


def measure(scan: Scan, settings: Settings, decision: Decision | None = None) -> Result:
    """Measure the cavity of one scan and size the mix.

    Parameters
    ----------
    scan : Scan
        The scan.
    settings : Settings
        How to measure and to mix.
    decision : Decision or None
        What a person decided about this scan.

    Returns
    -------
    Result
        What was found; its time is left at 0.

    Raises
    ------
    ScanError
        When the scan cannot be measured.
    """
    return _result(str(scan.path), find_cavity(scan, settings, decision), settings)


def _result(name: str, cavity: Cavity, settings: Settings) -> Result:
    volume, margin = cavity.volume, cavity.margin
    first = first_pour(volume.best_ml, settings, reserve_ml=cavity.reserve_ml)
    second = second_pour(volume.footprint_mm2, settings)
    notes = (*cavity.notes, *first.notes, *(second.notes if second else ()))
    return Result(
        scan=name,
        outcome=NOTED if notes else MEASURED,
        seconds=0.0,
        volume_ml=volume.best_ml,
        volume_low_ml=max(volume.best_ml - margin.below_ml, 0.0),
        volume_high_ml=volume.best_ml + margin.above_ml,
        base_line=_in_scan(cavity.base, cavity.rim, cavity.frame),
        footprint_mm2=volume.footprint_mm2,
        slope_ml_per_mm=volume.slope_ml_per_mm,
        curve=tuple((float(h), float(v)) for h, v in volume.curve),
        reserve_ml=cavity.reserve_ml,
        mix=first,
        second_pour=second,
        trim=cavity.trim,
        notes=notes,
    )


def _decided(decision: Decision) -> Base:
    return Base(how="saved", plane=(*decision.point_mm, *decision.normal))


def _corrections(decision: Decision | None, frame: Frame) -> list[Correction]:
    corrections = []
    for patch in () if decision is None else decision.patches:
        x, y, _ = frame.to_frame(np.array(patch.centre_mm))
        corrections.append(
            Correction(
                x_mm=float(x),
                y_mm=float(y),
                radius_mm=patch.radius_mm,
                is_in=patch.what == "take-in",
            )
        )
    return corrections


def _opened(scan: Scan, wanted: Base, pitch_mm: float) -> tuple[Samples, Pose | None, Frame, Skin]:
    """Find the pour axis, or take that of the plane wanted, and cut the columns along it."""
    count_scan(len(scan.triangles))
    # Compiled loops take triangles one by one, numpy takes coordinates.
    compiled = loops(LOOPS) is not None
    corners = scan.triangles.transpose(2, 1, 0) if compiled else by_coordinate(scan.triangles)
    samples = spread_samples(corners)
    pose = None if wanted.plane else find_pose(samples)
    frame = _frame(wanted, samples, pose)
    return samples, pose, frame, find_skin(corners, samples, frame, pitch_mm)


def _frame(base: Base, samples: Samples, pose: Pose | None) -> Frame:
    if pose is not None:
        return frame_along(pose.axis, samples.points_mm.mean(axis=1))
    plane = np.array(base.plane)
    return frame_along(plane[3:], plane[:3])


def _in_scan(base: BasePlane, rim: Rim, frame: Frame) -> BaseLine:
    """Bring the base line back into the scan's own frame, with its point amid the rim."""
    x, y = rim.crest_mm[:, :2].mean(axis=0)
    point, normal = base.in_scan(frame, x, y)
    return BaseLine(point_mm=point, normal=normal, how=base.how)
