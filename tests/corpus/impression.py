"""Impressions as implicit solids: tray material with a jaw pressed into it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.corpus.arch import Arch, Places
from tests.corpus.blend import Array, Relief, round_max, smooth_min, step
from tests.corpus.jaw import Jaw

CREST_RADIUS_MM = 1.35  # rounding of the rim's crest
HALF_FLANGE_MM = 1.8  # half the material's thickness at the rim


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rim:
    """Course of the rim's crest."""

    wave_mm: float = 0.0  # height of a slow wave along the rim; 0 for a rim in one plane
    notch_at_mm: float | None = None  # where along the arch the outer flange is torn, if it is
    # how deep and how wide
    notch_depth_mm: float = 4.0
    notch_width_mm: float = 9.0
    # the y at which tray and scan end, for a heel that is left open
    open_back_mm: float | None = None
    open_side: int = 1  # which heel is open: 1 at positive x, -1 at negative x


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shell:
    """Outside of a closed tray."""

    floor_mm: float = 28.0  # how far below the rim the tray's outside ends
    handle: bool = False  # whether a stub handle stands out in front


class Impression:
    """An impression's field: negative in material and tray, positive in air.

    Parameters
    ----------
    jaw : Jaw
        What was pressed in.
    rim : Rim
        Course of the rim.
    rng : numpy.random.Generator
        Where the rim's small unevenness comes from.
    shell : Shell or None
        The tray's outside; None leaves the material without end downwards, for open scans.
    """

    def __init__(
        self, *, jaw: Jaw, rim: Rim, rng: np.random.Generator, shell: Shell | None = None
    ) -> None:
        self.jaw, self.rim, self.shell = jaw, rim, shell
        self.uneven = Relief(rng, 0.10, (9.0, 30.0), 5)
        self.wave_phase = float(rng.uniform(0.0, 2.0 * np.pi))

    @property
    def arch(self) -> Arch:
        """The arch that the jaw follows."""
        return self.jaw.arch

    def crest(self, places: Places) -> Array:
        """Give the distance from the line of the rim's crest, seen from above.

        Across a notch the line runs on as if there were none; past an open heel it runs
        straight back.

        Gives (n, 1).
        """
        return self.jaw.contour(self._opened(places), np.zeros((1, 1))) - HALF_FLANGE_MM

    def _opened(self, places: Places) -> Places:
        """Draw columns behind an open heel forwards, so that the trough runs on."""
        back = self.rim.open_back_mm
        if back is None:
            return places
        limit = self.jaw.ridge.to_mm - 14.0
        along = self.rim.open_side * places.along
        held = np.where(along > limit, limit, along) * self.rim.open_side
        return Places(x=places.x, y=places.y, along=held, across=places.across)

    def inside(self, places: Places) -> NDArray[np.bool_]:
        """Tell which columns belong to the footprint: inside the crest, before an open heel.

        Gives (n, 1).
        """
        within: NDArray[np.bool_] = self.crest(places) < 0.0
        if self.rim.open_back_mm is not None:
            within &= (places.y > self.rim.open_back_mm) | (self.rim.open_side * places.x < 0.0)
        return within

    def rim_level(self, places: Places) -> Array:
        """Give the height of the rim's crest.

        Gives (n, 1).
        """
        level = self.uneven(places.x, places.y, np.zeros(1))
        if self.rim.wave_mm:
            level = level + self.rim.wave_mm * np.sin(places.along / 7.5 + self.wave_phase)
        if self.rim.notch_at_mm is not None:
            off = np.abs(places.along - self.rim.notch_at_mm)
            half = 0.5 * self.rim.notch_width_mm
            torn = (1.0 - step(half - 2.0, half + 1.0, off)) * step(-1.0, 1.0, places.across)
            level = level - self.rim.notch_depth_mm * torn
        return level

    def field(self, places: Places, z: Array) -> Array:
        """Give the impression's field.

        `z` (n, m); gives (n, m).
        """
        height = -z
        crest = self.crest(places)
        dome = 0.10 * crest**2 / (1.0 + 0.15 * crest**2)
        flange = crest - HALF_FLANGE_MM - 0.06 * np.maximum(height, 0.0)
        block = round_max(z - self.rim_level(places) + dome, flange, CREST_RADIUS_MM)
        if self.shell is not None:
            block = self._shelled(self.shell, places, z, block)
        return round_max(block, -self.jaw.field(self._opened(places), height), CREST_RADIUS_MM)

    def _shelled(self, shell: Shell, places: Places, z: Array, block: Array) -> Array:
        """Bound the material by the tray's outside below, with a stub handle if wanted."""
        block = round_max(block, -z - shell.floor_mm, 6.0)
        if not shell.handle:
            return block
        front = float(self.arch.points[:, 1].max())
        level = z + shell.floor_mm - 7.0
        stub = round_max(np.abs(places.x) - 8.0, np.abs(places.y - front - 17.0) - 11.0, 4.0)
        return smooth_min(block, round_max(stub + 0.0 * z, np.abs(level) - 2.2, 2.0), 3.0)
