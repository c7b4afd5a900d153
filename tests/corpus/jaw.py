"""Jaws as implicit solids: ridge, gum, palate and teeth, hanging teeth down into the tray.

The maker's frame: x to one side, y to the front, z up out of the opening; the rim's plane is
z = 0, so a place inside the impression has z < 0 and a height ``-z`` over the rim, teeth down.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from tests.corpus.arch import Arch, Places
from tests.corpus.blend import Array, Relief, round_max, smooth_max, smooth_min, step
from tests.corpus.dentition import Standing
from tests.corpus.prepared import Stump

FAR_MM = 4.0  # value of a tooth's field where it is too far away to matter
REACH_MM = 9.0  # how far from its middle a tooth and its collar of gum can reach
COLLAR_MM = 0.6  # thickness of the free gum round a tooth

# Bands of lip and cheeks: where along the arch, how wide, how deep they draw the rim in, mm
BANDS = (
    (0.0, 2.0, 1.6),
    (-27.0, 3.0, 1.1),
    (26.0, 3.2, 1.2),
    (-12.0, 7.0, -0.5),
    (13.0, 7.0, -0.5),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ridge:
    """Shape of the ridge that carries the teeth, as widths at heights over the rim."""

    # heights over the rim at which widths are given, rising
    heights_mm: tuple[float, ...] = (0.0, 4.0, 9.0, 14.0, 18.0)
    # from the arch to the ridge's face, towards lips and towards the tongue
    outer_mm: tuple[float, ...] = (7.9, 7.4, 6.7, 5.9, 5.2)
    inner_mm: tuple[float, ...] = (7.6, 7.2, 6.6, 5.9, 5.2)
    top_mm: float = 14.0  # height of the ridge's top where no tooth stands
    # where along the arch the ridge begins and ends at the rim
    from_mm: float = -58.0
    to_mm: float = 58.0
    # for an upper: the y of its back border; the palate then fills the inside
    back_mm: float | None = None
    broader_mm: float = 1.2  # how much wider the ridge is at its ends than in front
    front_mm: float = 1.6  # how far the ridge draws back under the front teeth, which lean forward
    round_mm: float = 5.0  # rounding of the ridge's top


def _profile(heights: tuple[float, ...], widths: tuple[float, ...], height: Array) -> Array:
    """Interpolate widths smoothly: a spline through the given heights."""
    inside = np.clip(height, heights[0], heights[-1])
    curve = PchipInterpolator(heights, widths)
    slope = float(curve.derivative()(heights[0]))
    width: Array = curve(inside) + slope * np.minimum(height - heights[0], 0.0)
    return width


class Jaw:
    """A jaw's field: negative inside.

    Parameters
    ----------
    arch : Arch
        The curve that carries the teeth.
    ridge : Ridge
        The bone under them.
    teeth : list of Standing
        The teeth; none for a toothless jaw.
    rng : numpy.random.Generator
        Where the small unevenness of the gum comes from.
    """

    def __init__(
        self, *, arch: Arch, ridge: Ridge, teeth: list[Standing], rng: np.random.Generator
    ) -> None:
        self.arch, self.ridge, self.teeth = arch, ridge, teeth
        self.relief = Relief(rng, 0.32, (5.0, 16.0), 9)
        self.rugae = Relief(rng, 1.5, (7.0, 18.0), 5)

    def contour(self, places: Places, height: Array) -> Array:
        """Give the ridge's field as if it had no top: its walls all round.

        `height` (n, m); gives (n, m).
        """
        ridge = self.ridge
        wider = ridge.broader_mm * step(8.0, 40.0, np.abs(places.along))
        outer = places.across - _profile(ridge.heights_mm, ridge.outer_mm, height) - wider
        outer = outer + self._bands(places) * (1.0 - step(2.0, 11.0, height))
        front = 1.0 - step(6.0, 28.0, np.abs(places.along))
        outer = outer + ridge.front_mm * front * step(0.0, 12.0, height)
        if ridge.back_mm is not None:
            return round_max(outer, ridge.back_mm - places.y + 0.12 * height, 6.0)
        inner = -places.across - _profile(ridge.heights_mm, ridge.inner_mm, height) - wider
        middle = 0.5 * (ridge.from_mm + ridge.to_mm)
        ends = np.abs(places.along - middle) - 0.5 * (ridge.to_mm - ridge.from_mm) + 0.10 * height
        return round_max(smooth_max(outer, inner, 0.5), ends, 5.0)

    @staticmethod
    def _bands(places: Places) -> Array:
        """Give how far the bands of lip and cheeks draw the rim in, (n, 1), in mm."""
        drawn: Array = np.zeros(places.along.shape)
        for at_mm, width_mm, depth_mm in BANDS:
            drawn = drawn + depth_mm * np.exp(-(((places.along - at_mm) / width_mm) ** 2))
        return drawn

    def _gum_level(self, places: Places) -> Array:
        """Give the height of the ridge's top along the arch."""
        if not self.teeth:
            return np.full(places.along.shape, self.ridge.top_mm)
        order = sorted(self.teeth, key=lambda tooth: tooth.along_mm)
        along = np.array([tooth.along_mm for tooth in order])
        level = np.array([tooth.gum_mm - 1.2 * isinstance(tooth.crown, Stump) for tooth in order])
        weight = np.exp(-(((places.along - along) / 6.0) ** 2)) + 1e-12  # (n, teeth)
        mean: Array = (weight * level).sum(axis=1, keepdims=True) / weight.sum(
            axis=1, keepdims=True
        )
        return mean - 0.6

    def _body(self, places: Places, height: Array) -> Array:
        """Give the field of ridge and palate, without teeth and their collars of gum."""
        walls = self.contour(places, height)
        top = height - self._gum_level(places)
        if self.ridge.back_mm is None:
            return smooth_max(walls, top, self.ridge.round_mm)
        inner = -places.across - _profile(self.ridge.heights_mm, self.ridge.inner_mm, height)
        crest = smooth_max(inner, top, self.ridge.round_mm)
        roof = smooth_min(crest, 0.8 * (height - self._vault(places)), 5.0)
        return smooth_max(walls, roof, max(4.0, self.ridge.round_mm - 1.0))

    def _vault(self, places: Places) -> Array:
        """Give the height of the palate over the rim, with its folds behind the front teeth."""
        x, y = places.x, places.y
        back = self.ridge.back_mm or 0.0
        forward = (y - back) / (self.arch.points[:, 1].max() - back)
        level = 5.2 + 6.0 * step(0.35, 1.0, forward) + 5.5 * (x / 19.0) ** 2
        where = step(0.42, 0.55, forward) * (1.0 - step(0.72, 0.86, forward))
        wander = self.rugae(x, y, np.zeros(1))
        bend = y + 0.22 * np.abs(x) + wander + 0.9 * np.tanh(x)
        folds = np.maximum(np.cos(2.0 * np.pi * bend / 4.6), -0.15) * (0.85 + 0.4 * wander)
        reach = 9.0 + 2.5 * wander
        folds = folds * step(0.8, 3.5, np.abs(x)) * (1.0 - step(0.0, 4.0, np.abs(x) - reach))
        seam = 0.35 * np.exp(-((x / 0.8) ** 2)) * (1.0 - step(0.72, 0.84, forward))
        knob = 1.0 * np.exp(-((x / 1.8) ** 2) - ((forward - 0.80) / 0.05) ** 2)
        height: Array = level + 0.55 * where * folds + seam + knob
        return height

    def field(self, places: Places, height: Array) -> Array:
        """Give the jaw's field.

        `height` (n, m); gives (n, m).
        """
        gum = self._body(places, height)
        gum = gum + self.relief(places.x, places.y, height)
        crowns = np.full(gum.shape, FAR_MM)
        collars = np.full(gum.shape, FAR_MM)
        stumps = np.full(gum.shape, FAR_MM)
        moats = np.full(gum.shape, -FAR_MM)
        for tooth in self.teeth:
            reached = _reached(tooth, places, height)
            if reached is None:
                continue
            pick, (u, v, w) = reached
            collars[pick] = smooth_min(collars[pick], _collar(tooth, u, v, w), 2.2)
            shown = tooth.crown.crown(u, v, w)
            if isinstance(tooth.crown, Stump):
                stumps[pick] = np.minimum(stumps[pick], shown)
                moats[pick] = smooth_max(moats[pick], tooth.crown.moat(u, v, w), 1.5)
            else:
                crowns[pick] = smooth_min(crowns[pick], shown, 0.8)
        gum = smooth_max(smooth_min(gum, collars, 2.0), moats, 0.5)
        return smooth_min(smooth_min(gum, crowns, 0.45), stumps, 0.9)


def _reached(
    tooth: Standing, places: Places, height: Array
) -> tuple[tuple[NDArray[np.int64], ...], tuple[Array, Array, Array]] | None:
    """Give which cells of an (n, m) field a tooth can reach, and their u, v, w."""
    apart = (places.x - tooth.centre[0]) ** 2 + (places.y - tooth.centre[1]) ** 2
    low, high = tooth.gum_mm - 8.0, tooth.gum_mm + tooth.crown.height_mm + 1.5
    level = (height > low) & (height < high)
    near = apart < REACH_MM**2
    if height.shape[0] == 1:
        rows, layers = np.flatnonzero(near), np.flatnonzero(level)
        inside = height[:, layers]
    else:
        rows, layers = np.flatnonzero(near[:, 0] & level.any(axis=1)), np.arange(height.shape[1])
        inside = height[rows]
    if not rows.size or not inside.size:
        return None
    return np.ix_(rows, layers), tooth.frame(places.x[rows], places.y[rows], inside)


def _collar(tooth: Standing, u: Array, v: Array, w: Array) -> Array:
    """Give the field of the gum round one tooth, scalloped from papilla to papilla."""
    flank = np.abs(u) / (0.5 * tooth.crown.width_mm)
    towards, away = tooth.papilla_mm
    rise = np.where(u > 0.0, towards, away) * np.minimum(flank, 1.15) ** 2.2
    under = np.maximum(rise - w, 0.0)
    thick = COLLAR_MM + 0.40 * under - 0.12 * np.maximum(under - 2.0, 0.0) ** 2
    side = tooth.crown.side(u, v, np.minimum(w, 0.15 * tooth.crown.height_mm))
    return smooth_max(side - thick, 0.8 * (w - rise), 1.1)
