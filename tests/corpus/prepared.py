"""Teeth cut down for crowns: a tapered stump on a ledge just above the gum."""

from dataclasses import dataclass

import numpy as np

from tests.corpus.blend import Array, smooth_max, smooth_min
from tests.corpus.teeth import BackTooth, FrontTooth

TAPER = 0.09  # lean of a stump's sides: about 5 degrees each
PAPILLA_MM = 1.7  # how far margin and gum rise between prepared teeth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stump:
    """A prepared tooth."""

    tooth: BackTooth | FrontTooth  # the tooth as it was
    ledge_mm: float = 0.9  # width of the ledge at the margin
    margin_mm: float = 0.7  # height of the margin over the gum in the middle of the outer face
    cut_mm: float = 1.8  # what was taken off the biting edge
    # rounding of the ledge's inner corner: small for a shoulder, about the ledge for a chamfer
    hollow_mm: float = 0.6

    @property
    def width_mm(self) -> float:
        """Width along the arch before the cut."""
        return self.tooth.width_mm

    @property
    def height_mm(self) -> float:
        """Height from the gum to the cut edge."""
        return self.tooth.height_mm - self.cut_mm

    def side(self, u: Array, v: Array, w: Array) -> Array:
        """Give the field of the root that carries the stump."""
        return self.tooth.side(u, v, np.minimum(w, 0.6))

    def _margin(self, u: Array) -> Array:
        """Give the height of the margin's line, in mm above the gum."""
        rise: Array = self.margin_mm + PAPILLA_MM * (u / (0.5 * self.width_mm)) ** 2
        return rise

    def margin_line(self, count: int = 180) -> Array:
        """Give places of the margin, where root and ledge meet.

        Parameters
        ----------
        count : int
            How many places.

        Returns
        -------
        numpy.ndarray
            (3, count): u, v and w in the tooth's frame, in mm.
        """
        turn = np.arange(count) * 2.0 * np.pi / count
        out = np.linspace(0.5, 8.0, 1500)[:, None]
        u, v = out * np.cos(turn), out * np.sin(turn)
        w = self._margin(u)
        at = np.argmax(self.side(u, v, w) > 0.0, axis=0), np.arange(count)
        line: Array = np.stack([u[at], v[at], w[at]])
        return line

    def crown(self, u: Array, v: Array, w: Array) -> Array:
        """Give the field of the root up to the margin together with the stump."""
        root = smooth_max(self.side(u, v, w), w - self._margin(u), 0.25)
        rise = np.maximum(w - self._margin(u), 0.0)
        taper = self.ledge_mm + TAPER * rise
        stump = self.tooth.side(u, v, np.minimum(w, 0.6)) + taper
        if isinstance(self.tooth, FrontTooth):
            lean = 0.045 * np.maximum(w - 2.0, 0.0) ** 2
            stump = smooth_max(stump, v - (0.20 * self.tooth.breadth_mm) + lean - 1.0, 1.2)
        stump = smooth_max(stump, 0.9 * (w - self._top(u, v)), 0.9)
        return smooth_min(root, stump, self.hollow_mm)

    def moat(self, u: Array, v: Array, w: Array) -> Array:
        """Give the groove that keeps the gum off the margin."""
        over = w - self._margin(u)
        width = 0.85 + 0.35 * np.maximum(over, 0.0) + 0.65 * np.minimum(over, 0.0)
        groove: Array = width - self.side(u, v, w)
        return groove

    def _top(self, u: Array, v: Array) -> Array:
        """Give the height of the cut edge: a flattened copy of the tooth's own."""
        flat = self.height_mm - 0.4
        own = self.tooth.top(1.1 * u, 1.1 * v) - self.tooth.height_mm
        level: Array = flat + 0.55 * np.maximum(own, -2.2)
        return level
