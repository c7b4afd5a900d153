"""Teeth by name, their sizes, and their places along an arch.

Sizes: widths, breadths and heights of crowns from memory, after the tables in Wheeler's Dental
Anatomy; heights of the upper front teeth within 0.3 mm of the means of a study of 412 casts
(PubMed 25858215: 10.23, 8.59 and 9.93 mm).
"""

from dataclasses import dataclass

import numpy as np

from tests.corpus.arch import Arch
from tests.corpus.blend import Array
from tests.corpus.prepared import PAPILLA_MM, Stump
from tests.corpus.teeth import BackTooth, Cusp, FrontTooth

Crown = BackTooth | FrontTooth | Stump

UPPER_MOLAR = (
    Cusp(u=0.47, v=0.55, height=0.1),
    Cusp(u=-0.45, v=0.52, height=0.3),
    Cusp(u=0.34, v=-0.52, height=0.0, slope=0.55),
    Cusp(u=-0.52, v=-0.56, height=0.8),
)
LOWER_MOLAR = (
    Cusp(u=0.54, v=0.50, height=0.2),
    Cusp(u=-0.10, v=0.56, height=0.3),
    Cusp(u=-0.62, v=0.36, height=0.7),
    Cusp(u=0.46, v=-0.56, height=0.0),
    Cusp(u=-0.42, v=-0.55, height=0.15),
)
LOWER_SECOND_MOLAR = (
    Cusp(u=0.48, v=0.52, height=0.2),
    Cusp(u=-0.46, v=0.52, height=0.3),
    Cusp(u=0.46, v=-0.55, height=0.0),
    Cusp(u=-0.46, v=-0.55, height=0.2),
)
UPPER_PREMOLAR = (Cusp(u=0.04, v=0.56, slope=0.66), Cusp(u=0.12, v=-0.52, height=0.7, slope=0.66))
LOWER_PREMOLAR = (Cusp(u=0.06, v=0.36, slope=0.68), Cusp(u=0.16, v=-0.56, height=1.7, slope=0.7))
LOWER_SECOND_PREMOLAR = (
    Cusp(u=0.04, v=0.44, slope=0.66),
    Cusp(u=0.42, v=-0.54, height=0.8, slope=0.7),
    Cusp(u=-0.46, v=-0.52, height=1.2, slope=0.7),
)

# One side of an upper arch, from the middle to the second molar
UPPER: tuple[BackTooth | FrontTooth, ...] = (
    FrontTooth(width_mm=8.7, breadth_mm=7.0, height_mm=10.2),
    FrontTooth(width_mm=6.7, breadth_mm=6.2, height_mm=8.8),
    FrontTooth(width_mm=7.7, breadth_mm=8.0, height_mm=9.9, tip_mm=1.7, hollow=0.03),
    BackTooth(width_mm=7.1, breadth_mm=9.1, height_mm=8.3, cusps=UPPER_PREMOLAR, squareness=2.3),
    BackTooth(width_mm=6.8, breadth_mm=9.0, height_mm=7.9, cusps=UPPER_PREMOLAR, squareness=2.3),
    BackTooth(width_mm=10.3, breadth_mm=11.1, height_mm=7.4, cusps=UPPER_MOLAR, shear=0.10),
    BackTooth(width_mm=9.4, breadth_mm=10.8, height_mm=7.0, cusps=UPPER_MOLAR, shear=0.15),
)

# One side of a lower arch, from the middle to the second molar
LOWER: tuple[BackTooth | FrontTooth, ...] = (
    FrontTooth(width_mm=5.4, breadth_mm=6.0, height_mm=8.8, neck=0.68, hollow=0.02),
    FrontTooth(width_mm=5.9, breadth_mm=6.3, height_mm=9.0, neck=0.68, hollow=0.02),
    FrontTooth(width_mm=6.9, breadth_mm=7.6, height_mm=10.2, tip_mm=1.5, hollow=0.02),
    BackTooth(width_mm=7.0, breadth_mm=7.8, height_mm=8.5, cusps=LOWER_PREMOLAR, squareness=2.2),
    BackTooth(
        width_mm=7.2, breadth_mm=8.2, height_mm=8.0, cusps=LOWER_SECOND_PREMOLAR, squareness=2.4
    ),
    BackTooth(width_mm=11.1, breadth_mm=10.4, height_mm=7.4, cusps=LOWER_MOLAR, squareness=2.8),
    BackTooth(
        width_mm=10.5, breadth_mm=10.1, height_mm=7.0, cusps=LOWER_SECOND_MOLAR, squareness=2.8
    ),
)

FRONT = (1, 2, 3)  # positions of incisors and canines
# Rise of the gum between front teeth, between back teeth, and where no neighbour stands
FRONT_PAPILLA_MM, BACK_PAPILLA_MM, NO_PAPILLA_MM = 3.6, 2.2, 0.5
# Lean of each crown towards lips and cheeks, mm per mm of height
LEAN = {
    "upper": (0.22, 0.20, 0.06, -0.02, -0.04, -0.06, -0.08),
    "lower": (0.16, 0.14, 0.04, -0.06, -0.10, -0.16, -0.20),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """A tooth where it stands in a jaw."""

    crown: Crown  # its shape
    along_mm: float  # its middle along the arch
    # its middle and the two axes of its frame seen from above, each (2,)
    centre: Array
    mesial: Array
    outward: Array
    gum_mm: float  # height of its gum line over the rim
    # lean towards the lips and towards the middle, mm per mm
    lean: float
    tip: float
    # how far the gum rises towards the middle and away from it; little where no neighbour is
    papilla_mm: tuple[float, float]

    def frame(self, x: Array, y: Array, height: Array) -> tuple[Array, Array, Array]:
        """Carry points into the tooth's frame."""
        w = height - self.gum_mm
        east, north = x - self.centre[0], y - self.centre[1]
        u = east * self.mesial[0] + north * self.mesial[1] - self.tip * w
        v = east * self.outward[0] + north * self.outward[1] - self.lean * w
        return u, v, w


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """Which teeth stand in a jaw."""

    jaw: str  # "upper" or "lower"
    # signed places, 1 for the tooth next to the middle; negative on the side of negative x
    positions: tuple[int, ...]
    prepared: tuple[int, ...] = ()  # which of them are cut down
    tips_mm: float = 23.0  # height of the biting plane over the rim
    crowding: float = 1.0  # size of the random shifts and turns; 0 is a perfect row
    turn_deg: float = 2.5  # standard deviation of the turns about their own axes, times `crowding`
    space_mm: float = 0.0  # between neighbours, over and above contact; negative where they overlap


def _papillae(position: int, row: Row) -> tuple[float, float]:
    """Give how far the gum rises beside a tooth, towards the middle and away from it."""
    step = 1 if position > 0 else -1
    beside = position - step or -step
    rise = FRONT_PAPILLA_MM if abs(position) in FRONT else BACK_PAPILLA_MM
    if position in row.prepared:
        rise = PAPILLA_MM
    towards, away = (
        rise if near in row.positions else NO_PAPILLA_MM for near in (beside, position + step)
    )
    return towards, away


def stand(row: Row, arch: Arch, rng: np.random.Generator) -> list[Standing]:
    """Place a row of teeth along an arch."""
    crowns = UPPER if row.jaw == "upper" else LOWER
    widths = np.array([crown.width_mm for crown in crowns])
    middles = np.cumsum(widths) - 0.5 * widths + (row.space_mm - 0.03) * np.arange(len(widths))
    placed = []
    for position in row.positions:
        index, side = abs(position) - 1, 1.0 if position > 0 else -1.0
        jitter = rng.normal(size=6) * row.crowding
        along = side * middles[index] + 0.06 * jitter[0]
        point, tangent, outward = arch.frame(along)
        turn = np.deg2rad(row.turn_deg * jitter[1])
        mesial = -side * (np.cos(turn) * tangent + np.sin(turn) * outward)
        crown = crowns[index]
        lean = LEAN[row.jaw][index] + 0.02 * jitter[4]
        shown: Crown = Stump(tooth=crown) if position in row.prepared else crown
        curve = 0.9 * (index / 6.0 - 0.5) ** 2
        placed.append(
            Standing(
                crown=shown,
                along_mm=float(along),
                centre=point + (0.22 * jitter[2] - 0.7 * lean * crown.height_mm) * outward,
                mesial=mesial,
                outward=np.cos(turn) * outward - np.sin(turn) * tangent,
                gum_mm=row.tips_mm - crown.height_mm - curve + 0.12 * jitter[3],
                lean=lean,
                tip=0.04 + 0.02 * jitter[5],
                papilla_mm=_papillae(position, row),
            )
        )
    return placed
