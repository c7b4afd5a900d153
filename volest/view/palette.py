"""Our colours, and the words beside them; each mark also has a shape of its own.

The five strong colours come from the set of Okabe and Ito for colour-blind readers (from memory);
impression and stone differ in lightness too, so that they part in grey print.
"""

from dataclasses import dataclass

from volest.view.scene import (
    AIR,
    BASE_LINE,
    BOXING,
    CUT_FACE,
    EXCESS,
    HOLES,
    IMPRESSION,
    STONE,
    UNDERCUTS,
)

PAPER, INK, FAINT, PROFILE = "#f6f3ec", "#1d2433", "#5a6070", "#4c3f73"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How a block looks, what the legend says, and the shape that tells it without its colour."""

    colour: str
    says: str
    shape: str


LOOKS = {
    IMPRESSION: Look(colour="#8d7fae", says="impression", shape="plain"),
    STONE: Look(colour="#dfc07c", says="stone", shape="plain"),
    CUT_FACE: Look(colour="#f7e9c4", says="stone, cut", shape="hatched"),
    BASE_LINE: Look(colour=INK, says="base line", shape="line"),
    EXCESS: Look(colour="#d55e00", says="rim to cut", shape="pegs"),
    BOXING: Look(colour="#0072b2", says="box in here", shape="fence"),
    HOLES: Look(colour="#000000", says="not in the scan", shape="dots"),
    UNDERCUTS: Look(colour="#009e73", says="undercut below", shape="dots"),
    AIR: Look(colour="#cc79a7", says="air stays here", shape="ball"),
}
# Dark is deep, light is high: lightness alone tells it. Steps of our own between two inks.
DEPTHS = ("#22264a", "#39406e", "#565b8e", "#7677a8", "#9896bd", "#bab6cf", "#dcd7e0", "#f4f0ee")
