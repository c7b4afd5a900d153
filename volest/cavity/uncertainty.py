"""The interval for the volume: independent parts, added by the GUM law."""

from dataclasses import dataclass

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.rim import Rim
from volest.cavity.unseen import Closing
from volest.cavity.void import ReachableVoid
from volest.cavity.volume import Volume

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
