"""The row parted: made jaws, whose teeth's places are known from the maker in tests/corpus.

Jaws are drawn by number; those on which the limits were chosen have other numbers.
"""

import numpy as np
import pytest
from manifold3d import Manifold
from scipy.signal import find_peaks

from tests.bench.parted import KINDS, drawn, judged
from tests.cavity.stages import Stages, bed, level, pit, staged
from tests.cavity.trays import corners_of
from tests.corpus.case import Case, solid
from tests.corpus.prepared import Stump
from tests.corpus.random_cases import draw_jaw
from tests.marks import slow
from volest.cavity.columns import Surface
from volest.cavity.frame import Frame
from volest.cavity.imprints import Imprints, find_imprints, valleys
from volest.cavity.trim import find_clock


def numbered(seed: int, shape: str) -> Case:
    row, ridge = draw_jaw(np.random.default_rng([991, seed]), shape)
    return Case(name=f"jaw-{seed}", seed=seed, row=row, ridge=ridge, pitch_mm=0.8, noise_mm=0.015)


# On 702 no piece is clear enough for a name. Silence is allowed there, a wrong name is nowhere.
SILENT = 702
JAWS = [(700, "lower"), *slow((701, "upper"), (SILENT, "lower"), (703, "upper"), (704, "quadrant"))]


@pytest.mark.parametrize(("seed", "shape"), JAWS)
def test_what_is_named_is_one_tooth_and_counted_right(seed: int, shape: str) -> None:
    found = judged(numbered(seed, shape))
    assert set(found.teeth) <= {"right", "unnamed"}
    assert found.named_gum == 0
    own = [piece for piece in found.pieces if piece and found.pieces.count(piece) == 1]
    assert len(own) >= 0.9 * len(found.pieces)
    assert "right" in found.teeth or shape == "quadrant" or seed == SILENT


# Four lone teeth show no front; a stump at the front lies so low that it is left out; a palate
# hangs down to the level of the teeth; of two teeth that overlap two valleys are left.
HARD = ((52_027, 67), (52_027, 92), (52_028, 138), (52_029, 112), (52_031, 120))
OF_KINDS = [*((KINDS[k % len(KINDS)], at, k) for at, k in HARD), *((k, 5, 5) for k in KINDS)]


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "series", "number"), OF_KINDS)
def test_nothing_is_told_wrong_on_jaws_of_all_kinds(kind: str, series: int, number: int) -> None:
    case = drawn(kind, (series, number))
    found = judged(case)
    assert set(found.teeth) <= {"right", "unnamed"}
    assert found.named_gum == 0
    stumps = [one.centre for one in solid(case).jaw.teeth if isinstance(one.crown, Stump)]
    if (series, number) == HARD[-1]:  # a natural tooth that lies 2 mm low is proposed here
        return
    for _, place in found.row.prepared if found.row else ():  # the scan lies in the maker's frame
        assert min(np.linalg.norm(stump - place[:2]) for stump in stumps) < 5.0


@pytest.mark.parametrize("apart", [1, 4, 22])
def test_valleys_are_the_peaks_of_another_library_upside_down(apart: int) -> None:
    for seed in range(60):
        share = np.random.default_rng(seed).random(5 + 4 * seed)
        share[seed // 2 : seed] = 0.3  # a run of one value
        upside_down = -np.concatenate([[0.0], share, [0.0]])
        at, found = find_peaks(upside_down, prominence=0.0, distance=apart)
        theirs = list(zip((at - 1).tolist(), found["prominences"].tolist(), strict=True))
        assert valleys(share, apart) == theirs


def tubs(*pits: Manifold) -> Imprints | None:
    """See pits in a row, in a bed whose frame is the solid's own."""
    tray = bed(pit(52.0, 20.0, 4.0).rotate((0.0, 0.0, 3.0)), *pits)
    stages: Stages = staged(tray, 0.37)
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    frame = Frame(rotation=np.eye(3), origin_mm=np.zeros(3))
    surface = Surface(triangles=corners_of(tray), frame=frame)
    return find_imprints(surface, stages.rooms(level(0.0)), level(0.0), clock)


def test_four_cones_in_a_row_are_four_and_as_wide_as_their_formula() -> None:
    # Cones of 4 mm radius at -4 and 2.5 mm at -13: 3 mm over the tip 3 mm, and so 6 mm across.
    cone = Manifold.cylinder(9.0, 2.5, 4.0, 128).translate((0.0, 0.0, -13.0))
    row = tubs(*(cone.translate((x, 0.3 * k, 0.0)) for k, x in enumerate((-13.5, -4.5, 4.5, 13.5))))
    assert row is not None
    assert not row.is_arch
    assert [one.number for one in row.each] == [1, 2, 3, 4]
    for one in row.each:
        assert one.width_mm == pytest.approx(6.0, abs=0.15)
        assert one.deep_mm == pytest.approx(13.0, abs=0.01)


def test_a_trough_does_not_part() -> None:
    row = tubs(pit(40.0, 8.0, 13.0))
    assert row is not None
    assert row.each == ()
