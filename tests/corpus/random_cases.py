"""Random impressions by number: what they are, their triangles, and the truth about them."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.corpus.blend import Array
from tests.corpus.case import Case
from tests.corpus.dentition import LOWER as LOWER_CROWNS
from tests.corpus.dentition import UPPER as UPPER_CROWNS
from tests.corpus.dentition import Row
from tests.corpus.impression import Rim, Shell
from tests.corpus.jaw import Ridge
from tests.corpus.recipes import FULL, LOWER_RIDGE, TOOTHLESS, UPPER_RIDGE
from tests.corpus.scanning import Hole, Pose

# What is drawn, full arches and parts of one
SHAPES = ("upper", "lower", "quadrant", "few teeth", "toothless")
SHARES = (0.26, 0.26, 0.2, 0.12, 0.16)  # how often
BEYOND_MM = 7.0  # how far an impression of a part reaches beyond its teeth, along the arch


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """A recipe that was drawn at random."""

    seed: int  # its number
    shape: str  # one of `SHAPES`
    case: Case  # the recipe
    scale: float  # size of the whole, as a factor on all lengths
    turned: bool  # whether all faces are wound the other way

    @property
    def rim_kind(self) -> str:
        """Which rim it has: 'whole', 'wavy', 'notch' or 'open heel'."""
        if self.case.rim.open_back_mm is not None:
            return "open heel"
        if self.case.rim.notch_at_mm is not None:
            return "notch"
        return "wavy" if self.case.rim.wave_mm else "whole"

    @property
    def kind(self) -> str:
        """One word or two for tables: what is wrong with it, or else its shape."""
        if self.case.holes:
            return "holes"
        if self.rim_kind != "whole":
            return self.rim_kind
        return self.shape

    @property
    def clean(self) -> bool:
        """Whether nothing is missing of the scan and nothing torn."""
        return not self.case.holes and self.rim_kind in ("whole", "wavy")


def random_case(seed: int) -> Drawn:
    """Draw an impression.

    >>> random_case(3).shape == random_case(3).shape
    True
    """
    rng = np.random.default_rng([6873, seed])
    shape = str(rng.choice(SHAPES, p=SHARES))
    row, ridge = draw_jaw(rng, shape)
    rim = _rim(rng, shape, ridge)
    shell = _shell(rng, shape, row) if rim.open_back_mm is None else None
    level_mm = -float(rng.uniform(0.6, 2.5)) - rim.wave_mm
    if rng.random() < 0.1:
        level_mm = float(rng.uniform(0.2, 1.0))
    case = Case(
        name=f"random-{seed}",
        seed=seed,
        row=row,
        ridge=ridge,
        rim=rim,
        shell=shell,
        pose=draw_pose(rng),
        holes=_holes(rng, row, ridge) if rng.random() < 0.15 else (),
        level_mm=level_mm,
        pitch_mm=float(rng.uniform(0.9, 1.25)),
        noise_mm=float(rng.uniform(0.0, 0.03)),
    )
    return Drawn(
        seed=seed,
        shape=shape,
        case=case,
        scale=float(rng.uniform(0.92, 1.08)),
        turned=bool(rng.random() < 0.1),
    )


def draw_jaw(rng: np.random.Generator, shape: str) -> tuple[Row, Ridge]:
    """Draw teeth and the ridge that carries them."""
    upper = shape == "upper" or (shape != "lower" and rng.random() < 0.5)
    jaw = "upper" if upper else "lower"
    if shape == "toothless":
        ridge = _toothless(rng, upper=upper)
        return Row(jaw=jaw, positions=(), tips_mm=ridge.top_mm + 1.0), ridge
    positions = _positions(rng, shape)
    prepared = tuple(int(p) for p in positions if rng.random() < rng.choice([0.0, 0.0, 0.25]))
    tips_mm = float(rng.uniform(20.5, 25.0))
    row = Row(
        jaw=jaw,
        positions=positions,
        prepared=prepared,
        tips_mm=tips_mm,
        crowding=float(rng.uniform(0.0, 1.3)),
    )
    ridge = _ridge(rng, UPPER_RIDGE if upper else LOWER_RIDGE)
    return row, _ends(ridge, row, shape)


def _positions(rng: np.random.Generator, shape: str) -> tuple[int, ...]:
    """Draw which teeth stand there."""
    if shape in ("upper", "lower"):
        gaps = rng.choice(FULL, size=int(rng.choice([0, 0, 1, 3])), replace=False)
        return tuple(place for place in FULL if place not in gaps)
    side = int(rng.choice([-1, 1]))
    if shape == "quadrant":
        return tuple(side * place for place in range(int(rng.integers(2, 5)), 8))
    first = int(rng.integers(2, 7))
    return tuple(side * (first + k) for k in range(int(rng.integers(1, 3))))


def _ends(ridge: Ridge, row: Row, shape: str) -> Ridge:
    """Let the ridge of a part end a little beyond its teeth."""
    if shape in ("upper", "lower"):
        return ridge
    widths = [crown.width_mm for crown in (UPPER_CROWNS if row.jaw == "upper" else LOWER_CROWNS)]
    near, far = (f(abs(place) for place in row.positions) for f in (min, max))
    low, high = sum(widths[: near - 1]) - BEYOND_MM, sum(widths[:far]) + BEYOND_MM
    if row.positions[0] < 0:
        low, high = -high, -low
    return replace(ridge, from_mm=float(low), to_mm=float(high), back_mm=None)


def _ridge(rng: np.random.Generator, like: Ridge) -> Ridge:
    """Draw widths, sometimes with a bulge half-way up."""
    outer, inner = rng.uniform(0.98, 1.15, 2)
    bulge = rng.uniform(0.3, 1.8) if rng.random() < 0.4 else 0.0
    shares = np.sin(np.linspace(0.0, np.pi, len(like.outer_mm))) * bulge
    return replace(
        like,
        outer_mm=tuple((outer * np.array(like.outer_mm) + shares).tolist()),
        inner_mm=tuple((inner * np.array(like.inner_mm)).tolist()),
    )


def _toothless(rng: np.random.Generator, *, upper: bool) -> Ridge:
    """Draw a ridge without teeth: high with an undercut above, low and broad below."""
    if not upper:
        low = replace(LOWER_RIDGE, top_mm=float(rng.uniform(8.0, 13.0)), round_mm=6.0)
        return _ridge(rng, low)
    deep = rng.uniform(0.0, 1.0)
    straight = np.linspace(TOOTHLESS.outer_mm[0], TOOTHLESS.outer_mm[-1], len(TOOTHLESS.outer_mm))
    outer = deep * np.array(TOOTHLESS.outer_mm) + (1.0 - deep) * straight
    return replace(TOOTHLESS, outer_mm=tuple((rng.uniform(1.0, 1.15) * outer).tolist()))


def _rim(rng: np.random.Generator, shape: str, ridge: Ridge) -> Rim:
    """Draw the rim: whole, wavy, torn or open at a heel."""
    kind = rng.random()
    if kind < 0.55:
        return Rim()
    if kind < 0.75:
        return Rim(wave_mm=float(rng.uniform(0.1, 1.0)))
    if kind < 0.88 or shape != "lower":
        back = 0.0 if ridge.back_mm is None else 8.0
        return Rim(
            wave_mm=float(rng.choice([0.0, 0.4])),
            notch_at_mm=float(rng.uniform(ridge.from_mm + 9.0 + back, ridge.to_mm - 9.0 - back)),
            notch_depth_mm=float(rng.uniform(2.5, 6.0)),
            notch_width_mm=float(rng.uniform(5.0, 14.0)),
        )
    return Rim(open_back_mm=float(rng.uniform(-13.0, -6.0)), open_side=int(rng.choice([-1, 1])))


def _shell(rng: np.random.Generator, shape: str, row: Row) -> Shell | None:
    """Draw whether the tray's outside was scanned too."""
    if rng.random() < 0.7:
        return None
    handle = shape in ("upper", "lower") and bool(rng.random() < 0.5)
    return Shell(floor_mm=row.tips_mm + float(rng.uniform(3.5, 6.0)), handle=handle)


def _holes(rng: np.random.Generator, row: Row, ridge: Ridge) -> tuple[Hole, ...]:
    """Draw places in the depth that the scanner did not see."""
    side = 1.0 if 0.5 * (ridge.from_mm + ridge.to_mm) >= 0.0 else -1.0
    deep = -row.tips_mm
    return tuple(
        Hole(
            near=(side * float(rng.uniform(5.0, 27.0)), float(rng.uniform(0.0, 38.0)), deep),
            across_mm=float(rng.uniform(1.2, 4.5)),
        )
        for _ in range(int(rng.integers(1, 4)))
    )


def draw_pose(rng: np.random.Generator) -> Pose:
    """Draw a frame: any turn, within 150 mm of the scanner's zero."""
    turns: NDArray[np.float64] = Rotation.from_quat(rng.normal(size=4)).as_euler(
        "xyz", degrees=True
    )
    shift: Array = rng.uniform(-150.0, 150.0, 3)
    first, second, third = (float(angle) for angle in turns)
    east, north, up = (float(part) for part in shift)
    return Pose(turns_deg=(first, second, third), shift_mm=(east, north, up))
