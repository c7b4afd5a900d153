"""Impressions whose rim flowed as set material does: ragged, torn, of uneven width and height."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from tests.corpus.arch import Arch, Places
from tests.corpus.blend import Array, Relief, round_max, smooth_min, step
from tests.corpus.dentition import Standing
from tests.corpus.impression import CREST_RADIUS_MM, Impression, Rim, Shell
from tests.corpus.jaw import Jaw, Ridge
from tests.corpus.solid import Solid

WAVES = 24  # how many plane waves make the crest's height; enough for a bell curve of heights
LEAST_WALL_MM = 2.2  # material that is left behind a pocket, so that none breaks through the flange


@dataclass(frozen=True, slots=True, kw_only=True)
class Tear:
    """A place of the flange that is lower or higher than its neighbourhood, from air to air."""

    at_mm: float
    side: int
    half_mm: float
    rise_mm: float

    def share(self, places: Places) -> Array:
        """Give how much of it columns have, 0 to 1, (n, 1)."""
        bell = np.exp(-(((places.along - self.at_mm) / self.half_mm) ** 2))
        share: Array = bell * step(-1.0, 1.0, self.side * places.across)
        return share


@dataclass(frozen=True, slots=True, kw_only=True)
class Studs:
    """Perforations of a stock tray; a negative depth lets the material bulge out of them."""

    radius_mm: float
    apart_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """How the material flowed over the tray's edge."""

    stray_mm: float = 0.05  # standard deviation of the crest's height, along the rim and across it
    # shortest and longest wave in it; heights a sixth of a wave apart are still alike
    waves_mm: tuple[float, float] = (9.0, 30.0)
    wall_mm: tuple[float, float] = (3.4, 4.2)  # least and greatest width of the flange
    # how much lower the flange is towards the tongue, and in front; negative for higher
    inner_drop_mm: float = 0.0
    front_drop_mm: float = 0.0
    tears: tuple[Tear, ...] = ()  # notches and lobes
    studs: Studs | None = None  # perforations of the tray's outer side
    edge_mm: float = 6.0  # rounding of the tray's lower edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Pocket:
    """How far walls draw back under the rim, between which heights over it, and until where."""

    recede_mm: float
    begin_mm: float
    full_mm: float
    back_mm: float


class Pocketed(Jaw):
    """A jaw whose walls stand out under the rim, here more and there less."""

    def __init__(
        self,
        *,
        arch: Arch,
        ridge: Ridge,
        teeth: list[Standing],
        rng: np.random.Generator,
        pocket: Pocket,
    ) -> None:
        super().__init__(arch=arch, ridge=ridge, teeth=teeth, rng=rng)
        self.pocket = pocket
        self.share = Relief(rng, 2.0, (35.0, 90.0), 4)

    def receded(self, places: Places, height: Array) -> Array:
        """Give how far the walls have drawn back down to a height and above it, (n, m), in mm."""
        share = np.clip(0.4 + self.share(places.x, places.y, np.zeros(1)), 0.0, 1.0)
        pocket = self.pocket
        return pocket.recede_mm * share * step(pocket.begin_mm, pocket.full_mm, height)

    def contour(self, places: Places, height: Array) -> Array:
        """Give the field of the walls all round, (n, m); negative between them."""
        back = 1.0 - step(self.pocket.back_mm, self.pocket.back_mm + 8.0, height)
        return super().contour(places, height) - self.receded(places, height) * back


class Flowed(Impression):
    """An impression with a rim that flowed; always with the tray's outside."""

    def __init__(
        self, *, jaw: Pocketed, flow: Flow, rng: np.random.Generator, shell: Shell
    ) -> None:
        super().__init__(jaw=jaw, rim=Rim(), rng=rng, shell=shell)
        self.walls = jaw
        self.flow = flow
        # a sum of n sines of amplitude a / n has the standard deviation a / sqrt(2 n)
        size_mm = flow.stray_mm * np.sqrt(2.0 * WAVES)
        self.heights = Relief(rng, size_mm, flow.waves_mm, WAVES)
        self.widths = Relief(rng, 2.0, (30.0, 70.0), 4)

    def wall_mm(self, places: Places) -> Array:
        """Give the flange's width at the rim, (n, 1)."""
        low, high = self.flow.wall_mm
        share = 0.5 + 0.5 * np.clip(self.widths(places.x, places.y, np.zeros(1)), -1.0, 1.0)
        return low + (high - low) * share + self._risen(places, lobes_only=True)

    def _risen(self, places: Places, *, lobes_only: bool = False) -> Array:
        risen: Array = np.zeros(places.along.shape)
        for tear in self.flow.tears:
            if tear.rise_mm > 0.0 or not lobes_only:
                risen = risen + tear.rise_mm * tear.share(places)
        return risen

    def crest(self, places: Places) -> Array:
        """Give the distance from the middle of the flange, seen from above; negative inside."""
        return self.jaw.contour(places, np.zeros((1, 1))) - 0.5 * self.wall_mm(places)

    def rim_level(self, places: Places) -> Array:
        """Give the height of the flange's middle, (n, 1)."""
        front = float(self.arch.points[:, 1].max())
        inner = 1.0 - step(-4.0, 4.0, places.across)
        forward = step(front - 34.0, front - 8.0, places.y)
        drops = self.flow.inner_drop_mm * inner + self.flow.front_drop_mm * forward
        return self.heights(places.x, places.y, np.zeros(1)) + self._risen(places) - drops

    def field(self, places: Places, z: Array) -> Array:
        """Give the field in mm, (n, m); negative in material, positive in air."""
        height = -z
        crest = self.crest(places)
        dome = 0.10 * crest**2 / (1.0 + 0.15 * crest**2)
        wall = self.jaw.contour(places, height) - LEAST_WALL_MM
        outer = crest - 0.5 * self.wall_mm(places) - 0.06 * np.maximum(height, 0.0)
        outer = smooth_min(outer - self.walls.receded(places, height), wall, 2.0)
        block = round_max(z - self.rim_level(places) + dome, outer, CREST_RADIUS_MM)
        shell = self.shell
        if shell is not None:
            block = round_max(block, -z - shell.floor_mm, self.flow.edge_mm)
            if self.flow.studs is not None:
                sides = (outer, -z - shell.floor_mm)
                block = self._studded(self.flow.studs, places, z, sides, block)
            if shell.handle:
                block = self._handled(shell, places, z, block)
        return round_max(block, -self.jaw.field(places, height), CREST_RADIUS_MM)

    @staticmethod
    def _studded(
        studs: Studs, places: Places, z: Array, sides: tuple[Array, Array], block: Array
    ) -> Array:
        """Drill the outer side and the floor, or let the material bulge out, on two lattices.

        Sides are the fields of the tray's outer side and of its floor, negative in material.
        """

        def lattice(one: Array, two: Array) -> Array:
            apart = studs.apart_mm
            east, north = ((part + 0.5 * apart) % apart - 0.5 * apart for part in (one, two))
            holes: Array = np.hypot(east, north) - studs.radius_mm
            return holes

        flank = (z < -5.0) & (z > -17.0) & (places.across > 0.0)
        parts = (
            (np.where(flank, lattice(places.along, z), studs.radius_mm), sides[0]),
            (lattice(places.x, places.y) + 0.0 * z, sides[1]),
        )
        for holes, side in parts:
            if studs.depth_mm > 0.0:
                drilled = round_max(holes, -side - studs.depth_mm, 0.3)
                block = round_max(block, -drilled, 0.3)
            else:
                knob = round_max(round_max(holes, side + studs.depth_mm, 0.4), -side - 1.0, 0.4)
                block = smooth_min(block, np.where(block < 1.5 - studs.depth_mm, knob, 9.0), 0.4)
        return block

    def _handled(self, shell: Shell, places: Places, z: Array, block: Array) -> Array:
        front = float(self.arch.points[:, 1].max())
        level = z + shell.floor_mm - 7.0
        stub = round_max(np.abs(places.x) - 8.0, np.abs(places.y - front - 19.0) - 13.0, 4.0)
        return smooth_min(block, round_max(stub + 0.0 * z, np.abs(level) - 2.2, 2.0), 3.0)


class Sampled:
    """A solid's field on a grid, cubic between its nodes: many times quicker than the solid."""

    def __init__(self, solid: Solid, box: Array, pitch_mm: float) -> None:
        axes = [np.arange(low, high + pitch_mm, pitch_mm) for low, high in box.T]
        east, north = (part.ravel() for part in np.meshgrid(axes[0], axes[1], indexing="ij"))
        values = []
        for start in range(0, len(east), 5000):
            places = solid.arch.places(east[start : start + 5000], north[start : start + 5000])
            values.append(solid.field(places, axes[2][None]))
        grid = np.concatenate(values).reshape([len(axis) for axis in axes])
        self.weights = spline_filter(grid, order=3, mode="nearest")
        self.low, self.pitch_mm = box[0], pitch_mm

    @property
    def arch(self) -> "Sampled":
        """What tells columns their place: nothing but x and y matter."""
        return self

    @staticmethod
    def places(x: Array, y: Array) -> Places:
        """Tell where columns stand; the arch is not needed any more."""
        none = np.zeros((len(x), 1))
        return Places(x=x[:, None], y=y[:, None], along=none, across=none)

    @staticmethod
    def inside(places: Places) -> NDArray[np.bool_]:
        """Tell which columns belong to the footprint: all, since the grid does not know."""
        return np.ones(places.x.shape, dtype=bool)

    def field(self, places: Places, z: Array) -> Array:
        """Give the field at heights in columns, (n, m)."""
        spots = np.stack(np.broadcast_arrays(places.x, places.y, z))
        steps = (spots - self.low[:, None, None]) / self.pitch_mm
        values: Array = map_coordinates(
            self.weights, steps, order=3, prefilter=False, mode="nearest"
        )
        return values
