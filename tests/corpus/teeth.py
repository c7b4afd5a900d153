"""Crowns of teeth as implicit solids in a frame of their own.

The frame of a tooth: u to the middle of the arch, v to lips and cheeks, w from the gum to the
biting edge; all in mm, w = 0 where the gum ends in the middle of the outer face.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.corpus.blend import Array, smooth_max, soft_abs, step

# How far below the gum, as a share of the crown's height, a crown goes on narrowing
ROOT_SHARE = 0.35


def _tapering(share: Array) -> Array:
    """Let a share of the crown's height fade to a constant below the gum."""
    faded: Array = np.where(share < 0.0, ROOT_SHARE * np.tanh(share / ROOT_SHARE), share)
    return np.minimum(faded, 1.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cusp:
    """One cusp of a back tooth."""

    # its tip as a share of the crown's half widths
    u: float
    v: float
    height: float = 0.0  # how far the tip stands below the crown's greatest height, in mm
    slope: float = 0.62  # steepness of its sides


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BackTooth:
    """A premolar or molar: cusps, fissures between them, and ridges at both ends."""

    # along the arch, across it, and from the gum to the highest cusp
    width_mm: float
    breadth_mm: float
    height_mm: float
    cusps: tuple[Cusp, ...]  # cusps of the biting face
    squareness: float = 2.6  # exponent of the outline seen from above: 2 is an ellipse
    shear: float = 0.0  # how far the outline is a slanted rectangle; 0 is none

    def side(self, u: Array, v: Array, w: Array) -> Array:
        """Give the field of the crown without its biting face."""
        share = _tapering(w / self.height_mm)
        below, above = np.minimum(share - 0.3, 0.0), np.maximum(share - 0.3, 0.0)
        half_v = 0.5 * self.breadth_mm * (1.0 - 0.42 * below**2 - 0.50 * above**2)
        below, above = np.minimum(share - 0.62, 0.0), np.maximum(share - 0.62, 0.0)
        half_u = 0.5 * self.width_mm * (1.0 - 0.30 * below**2 - 0.55 * above**2)
        outline = self._outline((u + self.shear * v) / half_u, v / half_v)
        return (outline - 1.0) * np.minimum(half_u, half_v)

    def _outline(self, u: Array, v: Array) -> Array:
        """Give the outline's norm at shares of the half widths, with dents between cusps."""
        power = self.squareness
        flat = (np.abs(u) ** power + np.abs(v) ** power + 1e-9) ** (1.0 / power)
        dents: Array = np.zeros(np.broadcast_shapes(u.shape, v.shape))
        for side in (1.0, -1.0):
            row = sorted(cusp.u for cusp in self.cusps if cusp.v * side > 0.0)
            for near, far in pairwise(row):
                groove = np.exp(-(((u - 0.5 * (near + far)) / 0.16) ** 2))
                dents += 0.07 * groove * step(0.35, 0.8, side * v)
        norm: Array = flat + dents
        return norm

    def top(self, u: Array, v: Array) -> Array:
        """Give the height of the biting face."""
        half_u, half_v = 0.5 * self.width_mm, 0.5 * self.breadth_mm
        face: Array = np.full(np.broadcast_shapes(u.shape, v.shape), self.height_mm - 3.6)
        for cusp in self.cusps:
            near_u, near_v = u - cusp.u * half_u, v - cusp.v * half_v
            face = smooth_max(face, self._cusp(cusp, near_u, near_v), 0.35)
        end = soft_abs(u / half_u, 0.1) - 0.72
        ridge = self.height_mm - 1.75 - 8.0 * end**2 - 0.5 * (v / half_v) ** 2
        return smooth_max(face, ridge, 0.4)

    def _cusp(self, cusp: Cusp, u: Array, v: Array) -> Array:
        """Give the height of one cusp: a cone, with a ridge running to the crown's middle."""
        lean = np.hypot(cusp.u, cusp.v)
        toward = np.array([-cusp.u, -cusp.v]) / lean
        along, across = u * toward[0] + v * toward[1], u * toward[1] - v * toward[0]
        inward = step(-0.5, 1.8, along)
        stretch = 0.86 + 0.14 * (1.0 - inward)
        run = np.sqrt((stretch * along) ** 2 + (1.0 + 0.5 * inward) * across**2 + 0.30)
        height: Array = self.height_mm - cusp.height - cusp.slope * (run - 0.55)
        return height

    def crown(self, u: Array, v: Array, w: Array) -> Array:
        """Give the field of the whole crown."""
        return smooth_max(self.side(u, v, w), 0.85 * (w - self.top(u, v)), 1.1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrontTooth:
    """An incisor or a canine: a bulging outer face, a hollow inner face, an edge or a tip."""

    # along the arch, across it at the neck, and from the gum to the edge
    width_mm: float
    breadth_mm: float
    height_mm: float
    tip_mm: float = 0.0  # how far the tip stands over the corners; 0 for an incisor
    neck: float = 0.72  # width at the gum as a share of the greatest width
    hollow: float = 0.06  # depth of the inner face's hollow, as a share of the breadth

    def side(self, u: Array, v: Array, w: Array) -> Array:
        """Give the field of the crown without its edge."""
        share = _tapering(w / self.height_mm)
        half = 0.5 * self.width_mm
        flank = u / half
        faces = smooth_max(v - self._outer(flank, share), self._inner(flank, share) - v, 0.7)
        rise = np.clip(share, -0.2, 1.1) / 0.78
        wide = half * (self.neck + (1.0 - self.neck) * (2.0 * rise - rise * rise))
        return smooth_max(faces, np.abs(u) - wide - 0.2, 1.4)

    def _outer(self, flank: Array, share: Array) -> Array:
        """Give where the outer face stands."""
        face = 0.43 + 0.26 * share - 0.50 * share * share
        curve = 0.16 + 0.05 * (self.tip_mm > 0.0) - 0.05 * step(0.3, 1.0, share)
        lobes = 0.012 * np.cos(2.6 * np.pi * flank) * step(0.35, 0.8, share)
        rib = 0.045 * np.exp(-((flank / 0.32) ** 2)) if self.tip_mm > 0.0 else 0.0
        place: Array = self.breadth_mm * (face - curve * flank**2 + lobes + rib)
        return place

    def _inner(self, flank: Array, share: Array) -> Array:
        """Give where the inner face stands, with its knob near the gum and ridges at the ends."""
        face = (
            -0.50 + 0.52 * step(-0.05, 1.05, share) + 0.16 * step(0.18, 0.75, share) * (1 - share)
        )
        curve = 0.30 * (1.0 - 0.75 * step(0.15, 0.9, share))
        hollow = self.hollow * step(0.2, 0.55, share) * (1.0 - step(0.8, 1.0, share))
        ridges = np.exp(-(((np.abs(flank) - 0.78) / 0.16) ** 2))
        rib = 0.05 * np.exp(-((flank / 0.22) ** 2)) if self.tip_mm > 0.0 else 0.0
        shaped = face + curve * flank**2 + hollow * (1.0 - 1.7 * ridges) - rib
        place: Array = self.breadth_mm * shaped
        return place

    def top(self, u: Array, v: Array) -> Array:
        """Give the height of the edge."""
        flank = u / (0.5 * self.width_mm)
        fall = 0.30 * flank**2 + 0.30 * np.maximum(-flank, 0.0) ** 2
        peak = self.tip_mm * soft_abs(flank, 0.22) * np.where(flank > 0.0, 0.85, 1.1)
        return self.height_mm - fall - peak + 0.10 * v

    def crown(self, u: Array, v: Array, w: Array) -> Array:
        """Give the field of the whole crown."""
        return smooth_max(self.side(u, v, w), w - self.top(u, v), 0.7)
