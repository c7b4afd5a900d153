"""Random recipes: the same number gives the same, and all that is drawn is drawn."""

import numpy as np
import pytest

from tests.corpus.case import box_of, solid
from tests.corpus.random_cases import SHAPES, random_case
from tests.corpus.specimen import prisms_ml, specimen

MANY = [random_case(seed) for seed in range(200)]
SMALL = 90


def test_all_is_drawn() -> None:
    assert {one.shape for one in MANY} == set(SHAPES)
    assert {one.rim_kind for one in MANY} == {"whole", "wavy", "notch", "open heel"}
    assert {one.turned for one in MANY} == {True, False}
    assert {one.case.shell is None for one in MANY} == {True, False}
    assert any(one.case.shell and one.case.shell.handle for one in MANY)
    assert 0.5 < np.mean([one.clean for one in MANY]) < 0.8


def test_a_closed_tray_reaches_below_its_pits() -> None:
    for one in MANY:
        if one.case.shell is not None:
            assert one.case.shell.floor_mm > one.case.row.tips_mm + 3.0


def test_boxes_hold_something() -> None:
    for one in MANY[:12]:
        low, high = box_of(one.case, solid(one.case))
        assert (high - low > 10.0).all()
        assert (high - low < 130.0).all()


@pytest.mark.slow
def test_the_same_number_gives_the_same() -> None:
    one, two = specimen(SMALL), specimen(SMALL)
    assert np.array_equal(one.vertices, two.vertices)
    assert np.array_equal(one.faces, two.faces)
    assert one.facets_ml == two.facets_ml


@pytest.mark.slow
def test_prisms_of_its_cavity_give_what_it_holds() -> None:
    made = specimen(SMALL)
    held = prisms_ml(made.vertices[made.faces[made.cavity]], made.plane)
    # a sum over whole triangles against one cut at the crest: they differ only over the plane
    assert held == pytest.approx(made.facets_ml, rel=1e-6)


def test_prisms_of_a_pyramid() -> None:
    # V = base x height / 3 (any handbook of mensuration): 2 x 2 x 3 / 3 = 4 mm3
    tip = [0.0, 0.0, -3.0]
    base = [[1.0, 1.0, 0.0], [-1.0, 1.0, 0.0], [-1.0, -1.0, 0.0], [1.0, -1.0, 0.0]]
    sides = np.array([[tip, base[k], base[(k + 1) % 4]] for k in range(4)])
    plane = np.array([5.0, 5.0, 0.0, 0.0, 0.0, 1.0])
    assert prisms_ml(sides, plane) == pytest.approx(0.004)
    # filled to half its height it holds an eighth
    lower = plane - np.array([0.0, 0.0, 1.5, 0.0, 0.0, 0.0])
    assert prisms_ml(sides, lower) == pytest.approx(0.0005)
