"""One scan to one result: which base line holds, the stages called in order, then the pours."""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from volest.cavity.base_line import BasePlane, find_base_line
from volest.cavity.doubts import AXIS_UNSURE, JOINED, Uncertainty, find_doubts, find_uncertainty
from volest.cavity.footprint import Correction, Footprint, find_footprint
from volest.cavity.frame import Floats, Frame, frame_along
from volest.cavity.height_map import HeightMap, height_map_of_columns
from volest.cavity.parting import (
    FAIR_SHARE,
    Part,
    apart,
    joined_apart,
    other_side,
    own_columns,
    whole_scan,
)
from volest.cavity.polarity import OrientedSurface, orient_surface, refuse_cast
from volest.cavity.pose import Pose, Samples, find_pose, pose_along
from volest.cavity.rim import Rim, find_rim
from volest.cavity.trim import Clock, Trim, base_areas, deep_floor, find_clock, find_trim
from volest.cavity.unseen import Closing, close_unseen
from volest.cavity.void import Air, ReachableVoid, find_air, find_void
from volest.cavity.volume import Volume, find_volume
from volest.dosing import dosed, over_line_mm
from volest.errors import ScanError
from volest.notes import Note
from volest.result import MEASURED, NOTED, BaseLine, Guide, Result, refused, together
from volest.scan.checks import LEAST_TRIANGLES, MOST_SHARE, areas_mm2, check_scale, find_patches
from volest.scan.compiling import count_scan
from volest.scan.decision import Decision, Place, read_decision
from volest.scan.reading import Scan, read_scan
from volest.settings import Base, Settings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cavity:
    """The records of all stages for one impression, for whoever draws or explains it."""

    frame: Frame  # that all others are in
    skin: OrientedSurface
    relief: HeightMap
    footprint: Footprint
    rim: Rim
    base: BasePlane
    rooms: ReachableVoid
    air: Air
    volume: Volume
    clock: Clock
    trim: Trim
    margin: Uncertainty
    closing: Closing | None  # of unseen surface; None where all was seen
    notes: tuple[Note, ...]  # what reading and all stages doubt
    decision: Decision | None = None


def find_cavities(
    scan: Scan, settings: Settings, decision: Decision | None = None
) -> tuple[Cavity | ScanError, ...]:
    """Find and measure the cavity of each impression of one scan, nearly always one.

    Where there are several, those that cannot be measured say why; a single one raises. A decision
    goes before the settings' base line.
    """
    count_scan(len(scan.triangles))
    decisions = () if decision is None else (decision, *decision.others)
    wanted = _Wanted(settings=settings, scan=scan, decisions=decisions)
    whole = whole_scan(scan.triangles)
    if len(whole.triangles) >= LEAST_TRIANGLES and 0.0 < whole.samples.long_share < MOST_SHARE:
        filled = find_patches(whole.triangles)  # by the scanner's own program: not seen
        whole = whole_scan(whole.triangles[~filled]) if filled.any() else whole
    parts = apart(whole)
    if len(parts) == 1:
        return _in_one_part(parts[0], wanted)
    found: list[Cavity | ScanError] = []
    for part, sought in zip(parts, wanted.for_parts(parts), strict=True):
        try:
            found += _in_one_part(part, sought)
        except ScanError as fault:
            found.append(fault)
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wanted:
    """How a part is to be measured: the first decision is obeyed, where there is one."""

    settings: Settings
    scan: Scan
    decisions: tuple[Decision, ...]

    @property
    def base(self) -> Base:
        if not self.decisions:
            return self.settings.base
        first = self.decisions[0]
        return Base(how="saved", plane=(*first.point_mm, *first.normal))

    def for_parts(self, parts: Sequence[Part]) -> list["_Wanted"]:
        """Share it out: a plane is meant for the impression that its point lies in."""
        mine: list[tuple[Decision, ...]] = [()] * len(parts)
        for one in self.decisions:
            mine[_nearest(parts, one.point_mm)] += (one,)
        plane = self.settings.base.plane
        given = _nearest(parts, plane[:3]) if plane else None
        return [
            replace(self if given in (None, number) else self._by_rim, decisions=decisions)
            for number, decisions in enumerate(mine)
        ]

    def for_side(self, axis: Floats) -> "_Wanted":
        """Give what is meant for the side that opens along an axis, where the other is measured."""
        mine = tuple(one for one in self.decisions[1:] if axis @ one.normal > 0.0)
        return replace(self._by_rim if self.settings.base.plane else self, decisions=mine)

    @property
    def _by_rim(self) -> "_Wanted":
        return replace(self, settings=replace(self.settings, base=Base()))

    def notes_on(self, part: Part) -> tuple[Note, ...]:
        """Give what reading noted of the scan, its size seen anew where it was parted."""
        notes = self.scan.notes
        own = part.own_triangles
        if len(own) < len(self.scan.triangles):
            sizes = check_scale(own, areas_mm2(own), self.settings.unit)
            notes = (*(note for note in notes if note.code != "odd-size"), *sizes)
        return (*notes, *part.notes)


def _nearest(parts: Sequence[Part], point_mm: Sequence[float]) -> int:
    return int(np.argmin([np.linalg.norm(part.middle_mm - point_mm) for part in parts]))


def _in_one_part(part: Part, wanted: _Wanted) -> tuple[Cavity | ScanError, ...]:
    """Measure what no gap parts: one impression, nearly always; joined ones, or two sides."""
    first = _measured(part, wanted)
    if {note.code for note in first.notes} & JOINED:
        joined = joined_apart(part, first.frame, first.relief, first.footprint, first.rooms)
        if len(joined) > 1:
            return tuple(map(_measured_or_why, joined, wanted.for_parts(joined)))
        if joined[0] is not part:
            return (_measured(joined[0], wanted),)
    back = other_side(part, first.frame.rotation[2])
    if back is None:
        return (first,)
    second = _measured_or_why(back, wanted.for_side(-first.frame.rotation[2]))
    # Two sides both show the surface's air, and hold a fair share each.
    if not isinstance(second, Cavity) or first.skin.turned != second.skin.turned:
        return (first,)
    smaller, larger = sorted((first.volume.best_ml, second.volume.best_ml))
    if smaller < FAIR_SHARE * larger:
        return (first,)
    one, other = (
        replace(side, notes=tuple(note for note in side.notes if note.code != AXIS_UNSURE))
        for side in (first, second)
    )
    # They come in the order of where they look in the file, whatever was measured first.
    apart_by = one.frame.rotation[2] - other.frame.rotation[2]
    largest = apart_by[int(np.argmax(np.abs(apart_by)))]
    return (one, other) if largest > 0.0 else (other, one)


def _measured_or_why(part: Part, wanted: _Wanted) -> Cavity | ScanError:
    try:
        return _measured(part, wanted)
    except ScanError as fault:
        return fault


def _measured(part: Part, wanted: _Wanted) -> Cavity:
    """Call the stages in order."""
    settings, decision = wanted.settings, next(iter(wanted.decisions), None)
    pose, frame, skin = _opened(part, wanted.base, settings.pitch_mm)
    relief = height_map_of_columns(skin.columns)
    corrections = []
    for patch in () if decision is None else decision.patches:
        x, y, _ = frame.to_frame(np.array(patch.centre_mm)).tolist()
        is_in = patch.what == "take-in"
        corrections.append(Correction(x_mm=x, y_mm=y, radius_mm=patch.radius_mm, is_in=is_in))
    footprint = find_footprint(relief, corrections)
    turned = refuse_cast(
        is_open=part.samples.is_open,
        turned=skin.turned and not settings.inside_out,
        rising_share=footprint.rising_share,
    )
    rim = find_rim(relief, footprint, skin.surface)
    base = find_base_line(wanted.base, relief, footprint.inside, rim, frame)
    rooms = find_void(skin.columns, relief, footprint, rim, base)
    closing = close_unseen(
        columns=skin.columns,
        surface=skin.surface,
        relief=relief,
        footprint=footprint,
        rim=rim,
        base=base,
        rooms=rooms,
        points_mm=part.samples.seen_in(frame),
    )
    if closing is not None:
        skin, rooms = replace(skin, columns=closing.columns), closing.rooms
    air = find_air(rooms)
    volume = find_volume(skin.surface, rooms, base)
    deep = deep_floor(relief, footprint.inside, base)
    clock = find_clock(relief.grid, footprint.inside, deep)
    trim = find_trim(
        relief,
        footprint,
        rim,
        base,
        clock,
        deep=deep,
        trimming=settings.lab.trimming,
        first_pour=settings.lab.first_pour,
    )
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
        margin=find_uncertainty(volume, rooms, rim, base, closing),
        closing=closing,
        notes=(*wanted.notes_on(part), *turned, *doubts, *skin.notes),
        decision=decision,
    )


def size_scan(path: Path, settings: Settings) -> Result:
    """Read one scan, measure its cavity and size the mix; a refusal is a result too."""
    start = time.perf_counter()
    try:
        result = measure(path, settings)
    except ScanError as fault:
        result = refused(str(path), fault)
    return result.taking(time.perf_counter() - start)


def examine_all(
    scan: Path | Scan, settings: Settings, decision: Decision | None = None
) -> list[tuple[Result, Cavity | ScanError]]:
    """Read, if need be, and measure one scan: what is said of each impression, and why.

    A decision given stands in place of what is saved beside the scan. Where there are several
    impressions, one that is refused says why.
    """
    if isinstance(scan, Path):
        path, scan = scan, read_scan(scan, unit=settings.unit)
        if decision is None and settings.obey_saved:
            decision = read_decision(path)
    name, found = str(scan.path), find_cavities(scan, settings, decision)
    told: list[tuple[Result, Cavity | ScanError]] = []
    for number, one in enumerate(found, start=1):
        if isinstance(one, Cavity):
            told.append(_told(name, one, number, len(found)))
        else:
            why = replace(refused(name, one), cavity=number, cavities=len(found))
            told.append((why, one))
    return told


def examine(
    scan: Path | Scan, settings: Settings, cavity: int = 1, decision: Decision | None = None
) -> tuple[Result, Cavity]:
    """Do as `examine_all` does, for one impression, numbered from 1."""
    all_of_it = examine_all(scan, settings, decision)
    if not 1 <= cavity <= len(all_of_it):
        raise ScanError(
            f"no impression {cavity} in this scan",
            needed=f"1 to {len(all_of_it)}" if len(all_of_it) > 1 else "1, the only one",
            remedy="give another --cavity",
            code="no-such-cavity",
        )
    result, found = all_of_it[cavity - 1]
    if isinstance(found, ScanError):
        raise found
    return result, found


def guided(
    result: Result,
    cavity: Cavity,
    settings: Settings,
    marks_mm: Sequence[Place] = (),
    *,
    flowing: bool = True,
) -> tuple[Result, Guide]:
    """Add its notes, and give what only a scan can tell; how stone flows only if that is wanted.

    `marks_mm` (k, 3): preparations, in the scan's own frame.
    """
    from volest.cavity.cast import find_palate, find_separation, find_thickness
    from volest.cavity.flow import find_flow
    from volest.cavity.imprints import find_imprints

    base, clock, rooms, surface = cavity.base, cavity.clock, cavity.rooms, cavity.skin.surface
    (over_mm, cast_over_mm), cast = over_line_mm(result, settings), settings.lab.cast
    imprints = find_imprints(surface, rooms, base, clock)
    thickness = find_thickness(
        rooms, base, clock, imprints, over_mm=cast_over_mm, wanted_mm=cast.least_mm
    )
    separation = find_separation(surface, rooms, base, clock, imprints)
    flow = None
    if imprints is not None and flowing:
        gums_mm = [one.gum_mm for one in thickness.behind]
        flow = find_flow(rooms, base, cavity.rim.crest_mm, clock, imprints, gums_mm=gums_mm)
    palate = preparations = None
    if cast.horseshoe_mm is not None and settings.is_upper(result.scan):
        palate = find_palate(rooms, base, imprints, kept_mm=cast.horseshoe_mm, over_mm=over_mm)
    if marks_mm := own_marks(marks_mm, result, cavity):
        from volest.cavity.preparations import find_preparations

        preparations = find_preparations(
            marks_mm,
            surface,
            rooms,
            base,
            clock,
            imprints=imprints,
            over_mm=over_mm,
            wanted_mm=cast.under_margin_mm,
        )
    guide = Guide(
        imprints=imprints,
        flow=flow,
        thickness=thickness,
        separation=separation,
        narrow_mm=cast.narrow_mm,
        preparations=preparations,
        palate=palate,
    )
    of_marks = () if preparations is None else preparations.notes
    notes = (*result.notes, *thickness.notes, *separation.notes, *of_marks)
    return replace(result, notes=notes, outcome=NOTED if notes else result.outcome), guide


def own_marks(marks_mm: Sequence[Place], result: Result, cavity: Cavity) -> Sequence[Place]:
    """Give those marks that lie over this impression, or all where the scan has no other."""
    if result.cavities == 1:
        return marks_mm
    covered = np.zeros(math.prod(cavity.rooms.grid.shape) + 1, dtype=bool)
    covered[cavity.rooms.cell] = True
    x, y, _ = cavity.frame.to_frame(np.reshape(marks_mm, (-1, 3)).T)
    own = covered[cavity.rooms.grid.cells_of(x, y)]
    return [mark for mark, is_own in zip(marks_mm, own, strict=True) if is_own]


def measure(scan: Path | Scan, settings: Settings, decision: Decision | None = None) -> Result:
    """Measure the cavity of a scan, and size the mix; times are left at 0."""
    return together(dosed(one, settings) for one, _ in examine_all(scan, settings, decision))


def _told(name: str, cavity: Cavity, number: int, count: int) -> tuple[Result, Cavity]:
    """Say what was measured of an impression; of several, note which it is and where it lies."""
    x, y = cavity.rim.crest_mm[:, :2].mean(axis=0)  # amid the rim
    point, normal = cavity.base.in_scan(cavity.frame, x, y)
    if count > 1:
        along = int(np.argmax(np.abs(normal)))
        way = f"{'-' if normal[along] < 0.0 else '+'}{'xyz'[along]}"
        place = dict(zip(("x_mm", "y_mm", "z_mm"), point, strict=True))
        note = Note("one-of-several", number=number, count=count, way=way, **place)
        cavity = replace(cavity, notes=(note, *cavity.notes))
    volume, margin = cavity.volume, cavity.margin
    inside, pitch_mm = cavity.footprint.inside, cavity.relief.grid.pitch_mm
    result = Result(
        scan=name,
        cavity=number,
        outcome=NOTED if cavity.notes else MEASURED,
        volume_ml=volume.best_ml,
        volume_low_ml=max(volume.best_ml - margin.below_ml, 0.0),
        volume_high_ml=volume.best_ml + margin.above_ml,
        base_line=BaseLine(point_mm=point, normal=normal, how=cavity.base.how),
        footprint_mm2=volume.footprint_mm2,
        rim_mm2=float(np.count_nonzero(inside & ~cavity.rim.land)) * pitch_mm**2,
        depth_mm=float(-cavity.rooms.floor_mm.min(initial=0.0)) * cavity.base.upright,
        base_areas=base_areas(inside, pitch_mm),
        slope_ml_per_mm=volume.slope_ml_per_mm,
        curve=tuple((float(h), float(v)) for h, v in volume.curve),
        reserve_ml=margin.more_ml,
        trim=cavity.trim,
        notes=cavity.notes,
        seconds=0.0,
        cavities=count,
    )
    return result, cavity


def _opened(
    part: Part, wanted: Base, pitch_mm: float
) -> tuple[Pose | None, Frame, OrientedSurface]:
    """Find the pour axis, or take that of the plane wanted, and cut the columns along it."""
    pose = None if wanted.plane else part.pose or find_pose(part.samples)
    frame = _frame(wanted, part.samples, pose)
    try:
        skin = orient_surface(part.corners, part.samples, frame, pitch_mm)
    except ScanError as fault:
        facing = part.samples.vector_area
        back = part.samples.is_open and pose is not None and pose.axis @ facing < 0.0
        if fault.code != "tangled" or not back:
            raise
        pose = pose_along(part.samples, facing)  # a large tray is a basin from its back too
        frame = _frame(wanted, part.samples, pose)
        skin = orient_surface(part.corners, part.samples, frame, pitch_mm)
    if part.within is not None:
        skin = replace(skin, columns=own_columns(skin.columns, frame, part.within))
    return pose, frame, skin


def _frame(base: Base, samples: Samples, pose: Pose | None) -> Frame:
    if pose is None:
        return frame_along(np.array(base.plane[3:]), np.array(base.plane[:3]))
    return frame_along(pose.axis, samples.points_mm.mean(axis=1))
