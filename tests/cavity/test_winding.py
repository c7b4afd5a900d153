"""Winding: turned faces are turned back, as the reference library judges it."""

from collections import Counter

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from volest.cavity.polarity import mend_winding
from volest.scan import checks

Triangles = NDArray[np.float64]
SPHERE: Triangles = np.array(trimesh.creation.icosphere(subdivisions=3, radius=30.0).triangles)
TORUS: Triangles = np.array(trimesh.creation.torus(20.0, 8.0).triangles)


def turned_over(triangles: Triangles, which: NDArray[np.bool_]) -> Triangles:
    result = triangles.copy()
    result[which] = result[which][:, ::-1]
    return result


def as_mesh(triangles: Triangles) -> trimesh.Trimesh:
    return trimesh.Trimesh(triangles.reshape(-1, 3), np.arange(triangles.size // 3).reshape(-1, 3))


def corner_sets(triangles: Triangles) -> set[frozenset[tuple[float, ...]]]:
    return {frozenset(map(tuple, triangle.tolist())) for triangle in triangles}


def torn_edges(triangles: Triangles) -> int:
    """Count edges of two faces that both run along them in one direction."""
    ways = Counter(
        (tuple(one), tuple(other))
        for face in triangles.tolist()
        for one, other in zip(face, face[1:] + face[:1], strict=True)
    )
    return sum(count == 2 and (end, start) not in ways for (start, end), count in ways.items())


@settings(max_examples=40)
@given(share=st.floats(0, 0.45), seed=st.integers(0, 2**31), torus=st.booleans())
def test_flips_are_put_right(share: float, seed: int, torus: bool) -> None:
    solid = TORUS if torus else SPHERE
    chance = np.random.default_rng(seed)
    flips = chance.random(len(solid)) < share
    # Areas decide, so where the flipped faces are the larger half all others are turned.
    larger_half = as_mesh(solid).area_faces[flips].sum() > as_mesh(solid).area / 2
    damaged = turned_over(solid, flips)[chance.permutation(len(solid))]
    mended = mend_winding(damaged)
    mesh = as_mesh(mended.triangles)
    assert mesh.is_winding_consistent
    assert mesh.is_watertight
    assert (mesh.volume > 0) != larger_half
    assert mended.turned == (len(solid) - flips.sum() if larger_half else flips.sum())
    assert (mended.doubled, torn_edges(mended.triangles)) == (0, 0)
    assert corner_sets(mended.triangles) == corner_sets(solid)


def with_corners_amid_sides(triangles: Triangles, chance: np.random.Generator) -> Triangles:
    """Triangles cut as fans of polygons with corners amid their sides, unlike their neighbours'.

    Corners are rounded to float32, so that some fans' flat triangles have an area and some have
    none; these are left out, as reading does.
    """
    pieces = []
    for triangle in triangles:
        ring: list[Triangles] = []
        for at, corner in enumerate(triangle):
            ring.append(corner)
            amid = np.sort(chance.choice(np.arange(1, 8), int(chance.integers(3)), replace=False))
            ring += [corner + share / 8 * (triangle[at - 2] - corner) for share in amid]
        rounded = np.array(ring, np.float32).astype(np.float64)
        pieces += [rounded[[0, at, at + 1]] for at in range(1, len(ring) - 1)]
    cut: Triangles = np.array(pieces)
    return np.asarray(cut[as_mesh(cut).area_faces > 0])


@settings(max_examples=10)
@given(share=st.floats(0, 0.3), seed=st.integers(0, 2**31))
def test_faces_that_meet_along_their_sides_are_of_one_body(share: float, seed: int) -> None:
    chance = np.random.default_rng(seed)
    cut = [with_corners_amid_sides(solid, chance) for solid in (SPHERE, TORUS)]
    whole = np.concatenate(cut)
    mended = mend_winding(turned_over(whole, chance.random(len(whole)) < share))
    assert (mended.doubled, torn_edges(mended.triangles)) == (0, 0)
    np.testing.assert_array_equal(mended.body, np.repeat([0, 1], [len(one) for one in cut]))
    for number, solid in enumerate((SPHERE, TORUS)):
        volume = as_mesh(mended.triangles[mended.body == number]).volume
        assert volume == pytest.approx(as_mesh(solid).volume, rel=1e-5)


def test_order_and_input_are_left_alone() -> None:
    before = SPHERE.copy()
    before.flags.writeable = False
    mended = mend_winding(before)
    np.testing.assert_array_equal(mended.triangles, before)
    assert mended.turned == 0
    assert not mended.triangles.flags.writeable


def test_each_body_keeps_its_own_majority() -> None:
    inward = turned_over(SPHERE, np.ones(len(SPHERE), np.bool_)) + np.array([100.0, 0, 0])
    both = np.concatenate([SPHERE, inward])
    assert mend_winding(both).turned == 0
    some = np.isin(np.arange(len(both)), [3, 2000])
    mended = mend_winding(turned_over(both, some))
    assert mended.turned == 2
    volumes = [as_mesh(part).volume for part in np.split(mended.triangles, 2)]
    assert volumes[0] == pytest.approx(-volumes[1])
    assert volumes[0] > 0


def test_duplicates_go_in_either_winding() -> None:
    turned = turned_over(SPHERE[10:15], np.ones(5, np.bool_))
    rolled = np.roll(SPHERE[20:26], 1, axis=1)
    mended = mend_winding(np.concatenate([SPHERE, turned, rolled, SPHERE[:2]]))
    assert mended.doubled == 13
    np.testing.assert_array_equal(mended.triangles, SPHERE)


def test_zero_of_either_sign_is_one_vertex() -> None:
    square = np.array(
        [[[0.0, 0, 0], [2, 0, 0], [2, 1, 0]], [[-0.0, -0.0, 0], [0, 1, -0.0], [2, 1, 0]]]
    )
    assert mend_winding(square).turned == 1


def test_open_surface_with_a_fin() -> None:
    # Three faces on one edge: neighbours over it say nothing, each part stays as it is.
    edge = [[0.0, 0, 0], [10, 0, 0]]
    fans = np.array([[*edge, [5, 5, 0]], [*edge, [5, -5, 0]], [*edge, [5, 0, 5]]])
    mended = mend_winding(fans)
    np.testing.assert_array_equal(mended.triangles, fans)
    assert torn_edges(mended.triangles) == 0


def test_a_one_sided_band_keeps_one_tear() -> None:
    # A Möbius band cannot be oriented [from memory: any text on topology]: one tear stays.
    steps = np.linspace(0, 2 * np.pi, 41)[:-1]
    across = np.array([-5.0, 5.0])[:, None]
    radius = 30 + across * np.cos(steps / 2)
    low, high = np.stack(
        [radius * np.cos(steps), radius * np.sin(steps), across * np.sin(steps / 2)], axis=2
    )
    next_low = np.concatenate([low[1:], high[:1]])  # the last step joins the other side
    next_high = np.concatenate([high[1:], low[:1]])
    band = np.concatenate(
        [np.stack([low, next_low, next_high], axis=1), np.stack([low, next_high, high], axis=1)]
    )
    assert torn_edges(mend_winding(band).triangles) == 1


def test_sorting_in_full_where_mixed_numbers_meet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checks, "DIGEST", np.uint64(0))
    flips = np.arange(len(SPHERE)) % 5 == 0
    mended = mend_winding(turned_over(SPHERE, flips))
    np.testing.assert_array_equal(corner_sets(mended.triangles), corner_sets(SPHERE))
    assert mended.turned == flips.sum()


def test_single_triangle() -> None:
    mended = mend_winding(SPHERE[:1])
    np.testing.assert_array_equal(mended.triangles, SPHERE[:1])
