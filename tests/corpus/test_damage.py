"""Damage is what it says it is, and its truths are true by construction."""

import numpy as np
import pytest

from tests.corpus.damage import KINDS, damage
from tests.corpus.harm import corners_of
from tests.corpus.random_cases import random_case
from tests.corpus.shards import ROUND, ball, disc, normals, turn_some
from tests.corpus.specimen import Specimen, specimen

SEED = 90
ADDS = ("faces doubled", "second shell", "islands near", "turntable", "fins", "scanned twice")
TAKES = ("faces dropped", "hole in the floor", "missing end", "rim trimmed off", "cast's skin")


@pytest.fixture(scope="module")
def made() -> Specimen:
    assert random_case(SEED).shape == "few teeth"  # a quick one
    return specimen(SEED)


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_numbers_give_the_same(made: Specimen, kind: str) -> None:
    one, two = (damage(made, np.random.default_rng(5), kind) for _ in range(2))
    assert one.kind == kind
    assert np.array_equal(one.triangles, two.triangles)
    assert np.isfinite(one.triangles).all()
    assert one.volume_ml > 0.0
    assert one.harmless or one.owed or one.owed_found


@pytest.mark.parametrize("kind", ADDS)
def test_something_is_added(made: Specimen, kind: str) -> None:
    assert len(damage(made, np.random.default_rng(1), kind).triangles) > len(made.faces)


@pytest.mark.parametrize("kind", TAKES)
def test_something_is_taken(made: Specimen, kind: str) -> None:
    assert len(damage(made, np.random.default_rng(1), kind).triangles) < len(made.faces)


def test_a_lost_end_takes_its_volume_along(made: Specimen) -> None:
    broken = damage(made, np.random.default_rng(2), "missing end")
    assert broken.volume_ml < made.facets_ml
    assert broken.rim_ml < made.rim_ml


def test_a_trimmed_rim_holds_less(made: Specimen) -> None:
    broken = damage(made, np.random.default_rng(2), "rim trimmed off")
    assert broken.owed_found
    assert broken.rim_ml < made.rim_ml


def test_a_mirror_keeps_heights(made: Specimen) -> None:
    broken = damage(made, np.random.default_rng(2), "mirrored")
    was = np.sort(((corners_of(made) - made.plane[:3]) @ made.plane[3:]).ravel())
    now = np.sort(((broken.triangles - broken.plane[:3]) @ broken.plane[3:]).ravel())
    assert np.allclose(was, now, atol=1e-9)


def test_normals_point_out_of_the_material(made: Specimen) -> None:
    # stone stands on the floor: seen along the pour axis the cavity's surface faces up on the whole
    corners = corners_of(made)
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    assert ((normals(made) @ made.up) * area)[made.cavity].sum() > 0.0


@pytest.mark.parametrize("share", [0.01, 0.4])
def test_so_many_are_turned(made: Specimen, share: float) -> None:
    corners = corners_of(made)
    turned = turn_some(corners, np.random.default_rng(4), share)
    assert (turned != corners).any(axis=(1, 2)).mean() == pytest.approx(share, abs=0.01)


def test_a_ball_and_a_plate() -> None:
    # a ball's volume, 4/3 pi r^3, less what flat faces cut off it
    faces = ball(np.array([5.0, 6.0, 7.0]), 2.0) - np.array([5.0, 6.0, 7.0])
    volume = np.einsum("ij,ij->i", faces[:, 0], np.cross(faces[:, 1], faces[:, 2])).sum() / 6.0
    assert 0.95 * 32.0 / 3.0 * np.pi < volume < 32.0 / 3.0 * np.pi
    up = np.array([0.0, 0.6, 0.8])
    plate = disc(np.ones(3), up, 5.0)
    area = 0.5 * np.cross(plate[:, 1] - plate[:, 0], plate[:, 2] - plate[:, 0]) @ up
    # area of a regular polygon, n/2 r^2 sin(2 pi / n)
    assert area.sum() == pytest.approx(0.5 * ROUND * 25.0 * np.sin(2.0 * np.pi / ROUND))
