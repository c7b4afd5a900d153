"""One scan in somebody's hands: the base line raised and tilted, and what then holds."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.doubts import find_uncertainty
from volest.cavity.frame import Floats
from volest.cavity.void import find_void
from volest.cavity.volume import find_volume
from volest.dosing import dose
from volest.errors import MixError, ScanError
from volest.pipeline import Cavity, examine, examine_all
from volest.result import Result
from volest.scan.decision import (
    Decision,
    Patch,
    Place,
    fingerprint,
    read_told,
    saved_bytes,
    write_decision,
    write_preparations,
)
from volest.settings import Settings
from volest.stone.mix import Mix
from volest.view.scene import Scene, display_frame_of, draw_impression, scene_of

MOST_TILT_DEG = 15.0  # more is another pour axis, not another base line
_LEAST_ML = 0.05  # less is shown as 0.0 mL, and no mix is made of it
_SAME_DEG = 1e-9
_MARK_MM = 4.0  # seen from above: what is touched so near to a mark takes it away
_OPPOSITE_MM = 10.0  # so far above or below lies another tooth: a tray bitten into from two sides


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Where somebody holds the base line, against the measured one, and what was touched.

    Raised in the middle of the dial, tilted up to the right and to the front.
    """

    height_mm: float = 0.0
    right_deg: float = 0.0
    front_deg: float = 0.0
    touched: tuple[Place, ...] = ()  # prepared teeth, to be marked or no more, in the scan's frame

    @property
    def is_tilted(self) -> bool:
        """Whether the curve does not hold any more."""
        return abs(self.right_deg) > _SAME_DEG or abs(self.front_deg) > _SAME_DEG


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figures:
    """What holds for one place of the base line.

    No mix where there is next to nothing to fill, or more than can be mixed: `why` says that.
    """

    volume_ml: float
    low_ml: float
    high_ml: float
    mix: Mix | None
    why: str = ""


class BaseLineEditor:
    """A measured scan whose base line can be moved."""

    def __init__(self, path: Path, settings: Settings, number: int = 1) -> None:
        self.path, self.number = path, number
        self.settings = settings
        self.result: Result
        self.cavity: Cavity
        self.result, self.cavity = examine(path, settings, number)
        self._read, self._saved = fingerprint(path), saved_bytes(path)
        self._marks = read_told(path).preparations
        self.stand = display_frame_of(self.cavity)
        self.skin = draw_impression(self.cavity)
        self.held = Held()

    @property
    def range_mm(self) -> tuple[float, float]:
        """Least and most height that the curve knows."""
        return self.result.curve[0][0], self.result.curve[-1][0]

    def move_by(
        self, *, height_mm: float = 0.0, right_deg: float = 0.0, front_deg: float = 0.0
    ) -> None:
        """Raise the base line, and tilt it about the dial's middle, up to the right and front."""
        held = self.held
        self.hold(
            replace(
                held,
                height_mm=round(held.height_mm + height_mm, 3),
                right_deg=round(held.right_deg + right_deg, 3),
                front_deg=round(held.front_deg + front_deg, 3),
            )
        )

    def hold(self, held: Held) -> None:
        """Hold the base line somewhere, inside the curve and the most tilt."""
        low, high = self.range_mm
        self.held = replace(
            held,
            height_mm=float(np.clip(held.height_mm, low, high)),
            right_deg=float(np.clip(held.right_deg, -MOST_TILT_DEG, MOST_TILT_DEG)),
            front_deg=float(np.clip(held.front_deg, -MOST_TILT_DEG, MOST_TILT_DEG)),
        )

    @property
    def base(self) -> BasePlane:
        """The base line as it is held, in the cavity's frame."""
        measured, turn = self.cavity.base, self.stand.turn[:2, :2]
        tilts = np.tan(np.radians([self.held.right_deg, self.held.front_deg]))
        slopes = turn @ measured.plane[:2] + tilts
        a, b = turn.T @ slopes
        middle = self.stand.middle_mm
        up = self.held.height_mm * float(np.sqrt(1.0 + a * a + b * b))  # along z
        level = middle[2] + up - a * middle[0] - b * middle[1]
        return replace(measured, plane=np.array([a, b, level]))

    @property
    def _moved_mm(self) -> float:
        """Say how much higher over the rim the base line is held than it was measured."""
        crest = self.cavity.rim.crest_mm.T
        over, held = (
            base.heights_mm(*crest) * base.upright for base in (self.cavity.base, self.base)
        )
        return float((over - held).mean())

    def figures(self, patches: Sequence[Patch] = ()) -> Figures:
        """Work out what holds now: from the curve, or anew if it is tilted or has new patches."""
        result, moved_mm = self.result, self._moved_mm
        if patches:
            decided = self.decision(patches)
            result, cavity = examine(self.path, self.settings, self.number, decided)
            volume_ml, margin, moved_mm = cavity.volume.best_ml, cavity.margin, 0.0
        elif self.held.is_tilted or self.held.height_mm > 0.0:  # over the rim less is sure
            c, base = self.cavity, self.base
            rooms = find_void(c.skin.columns, c.relief, c.footprint, c.rim, base)
            volume = find_volume(c.skin.corners_mm, rooms, base)
            volume_ml = volume.best_ml
            margin = find_uncertainty(volume, rooms, c.rim, base, c.closing)
        else:
            heights, volumes = np.array(self.result.curve).T
            volume_ml = float(np.interp(self.held.height_mm, heights, volumes))
            margin = self.cavity.margin
            if self.held.height_mm == 0.0:
                volume_ml = self.cavity.volume.best_ml
        low_ml, high_ml = max(volume_ml - margin.below_ml, 0.0), volume_ml + margin.above_ml
        result = replace(result, volume_ml=volume_ml, volume_high_ml=high_ml)
        made, why = None, ""
        if volume_ml >= _LEAST_ML:
            try:
                made = dose(result, volume_ml, self.settings, moved_mm)
            except MixError as fault:
                why = str(fault)
        return Figures(volume_ml=volume_ml, low_ml=low_ml, high_ml=high_ml, mix=made, why=why)

    @property
    def prepared(self) -> tuple[Place, ...]:
        """Where prepared teeth are marked: as it is saved, and as they were touched since."""
        marks = self._marks
        for place in self.held.touched:
            off = [np.abs(self._drawn(one) - self._drawn(place)) for one in marks]
            rest = tuple(
                one
                for one, (x, y, z) in zip(marks, off, strict=True)
                if math.hypot(x, y) >= _MARK_MM or z >= _OPPOSITE_MM
            )
            marks = rest if len(rest) < len(marks) else (*marks, place)
        return marks

    def _drawn(self, place_mm: Place) -> Floats:
        return self.stand.drawn(self.cavity.frame.to_frame(np.array(place_mm)))

    def mark_at(self, drawn_mm: Floats) -> None:
        """Mark a prepared tooth at a place, (3,), of the drawing; near a mark, take that away."""
        x, y, z = self.cavity.frame.from_frame(self.stand.undrawn(drawn_mm)).tolist()
        self.held = replace(self.held, touched=(*self.held.touched, (x, y, z)))
        if self.prepared == self._marks:  # all as it is saved
            self.held = replace(self.held, touched=())

    def scene(self) -> Scene:
        """Draw it with the base line as it is held, and the marks of prepared teeth."""
        return scene_of(self.cavity, self.base, self.skin, self.prepared)

    def line(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Give a point and the normal of the base line as it is held, in the scan's own frame."""
        x, y, _ = self.stand.middle_mm
        return self.base.in_scan(self.cavity.frame, x, y)

    def decision(self, patches: Sequence[Patch] = ()) -> Decision:
        """Say the base line as it is held, and new patches, in the scan's own frame.

        Patches saved before stay with it, and what was saved about further impressions.
        """
        point, normal = self.line()
        own = self.cavity.decision
        return Decision(
            point_mm=point,
            normal=normal,
            patches=(*(() if own is None else own.patches), *patches),
            others=self._decided_elsewhere(),
        )

    def _decided_elsewhere(self) -> tuple[Decision, ...]:
        """Give what is saved about further impressions of the scan: it stays."""
        if self.result.cavities == 1:
            return ()
        obeying = replace(self.settings, obey_saved=True)
        decisions = (
            found.decision
            for number, (_, found) in enumerate(examine_all(self.path, obeying), start=1)
            if number != self.number and isinstance(found, Cavity)
        )
        return tuple(replace(one, others=()) for one in decisions if one is not None)

    def save(self) -> "BaseLineEditor":
        """Save the line as it is held, and give the scan as it is measured from now.

        Where only teeth were marked, it is these alone that are saved. All is saved or nothing.
        """
        if saved_bytes(self.path) != self._saved:
            raise ScanError(
                "another line, or other marks, than were opened: saved elsewhere meanwhile",
                needed="nobody's work lost",
                remedy="close the window, open it again",
            )
        line = None
        if not self.held.touched or replace(self.held, touched=()) != Held():
            line = self.decision()
        self._check(line)
        if self.held.touched:
            write_preparations(self.path, self.prepared)
        if line is not None:
            write_decision(self.path, line)
        obeying = self.settings.obey_saved or line is not None
        return BaseLineEditor(self.path, replace(self.settings, obey_saved=obeying), self.number)

    def write(self, decision: Decision) -> None:
        """Write a decision beside the scan.

        Nothing is written when the scan is another one by now, or would be refused with it.
        """
        self._check(decision)
        write_decision(self.path, decision)

    def remove(self) -> None:
        """Take away what was decided of this impression; of others of the scan it stays."""
        self._check(None)
        first, *others = self._decided_elsewhere() or (None,)
        if first is not None:
            first = replace(first, others=tuple(filter(None, others)))
        write_decision(self.path, first)

    def _check(self, decision: Decision | None) -> None:
        """Refuse another scan than was opened, and a decision with which it would be refused."""
        if fingerprint(self.path) != self._read:
            raise ScanError(
                "another scan than was opened: the file was replaced meanwhile",
                needed="the line drawn on the scan that it is for",
                remedy="close the window, open it again",
            )
        if decision is not None:
            examine(self.path, self.settings, self.number, decision)
