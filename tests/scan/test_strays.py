"""Triangles torn out of place: each way in which a file tears them, and sound scans untouched.

Truth: the damage is done here, so how many triangles it tore is known by counting.
"""

from pathlib import Path

import numpy as np
import pytest

from tests.cavity.trays import Floats, Tray, trays
from volest.notes import Note
from volest.scan.checks import areas_mm2, look_over, note_lost, note_needles
from volest.scan.reading import read_scan

SAMPLES = Path(__file__).parents[2] / "sample_meshes"
TRAYS = {tray.name: tray for tray in trays()}


@pytest.fixture(scope="module")
def dense() -> Floats:
    """A closed tray of 17 000 triangles, none near 0, 0, 0."""
    moved: Floats = TRAYS["hemisphere"].triangles(is_open=False) + np.array([30.0, 40.0, 50.0])
    return moved


@pytest.mark.parametrize("tray", TRAYS.values(), ids=list(TRAYS))
@pytest.mark.parametrize("is_open", [False, True])
def test_sound_trays_have_none(tray: Tray, *, is_open: bool) -> None:
    triangles = tray.triangles(is_open=is_open)  # coarse walls with long triangles among them
    assert note_lost(*look_over(triangles)) == ()
    assert note_needles(triangles, areas_mm2(triangles)) == ()


@pytest.mark.parametrize("name", ["b0417-upper-full-arch.stl", "b0450-upper-closed-handle.ply"])
def test_sound_samples_have_none(name: str) -> None:
    scan = read_scan(SAMPLES / name)
    assert not {note.code for note in scan.notes} & {"zeroed", "needles"}


@pytest.mark.parametrize(("whole", "told"), [(9, False), (10, True), (139, True)])
def test_triangles_that_became_zero(dense: Floats, whole: int, *, told: bool) -> None:
    torn = dense.copy()
    torn[5000 : 5000 + whole] = 0.0
    assert note_lost(*look_over(torn)) == (Note("zeroed", count=whole),) * told


@pytest.mark.parametrize("lost", [9, 10, 40])
def test_corners_that_became_zero(dense: Floats, lost: int) -> None:
    torn = dense.copy()
    torn[5000 : 5000 + lost, 1] = 0.0
    notes = note_lost(*look_over(torn))
    assert len(notes) == (lost >= 10)
    assert all(note.values["count"] == lost for note in notes)


def test_a_fan_about_the_origin_is_no_loss() -> None:
    # A bowl whose deepest point is the origin: 128 triangles meet there, none longer than others.
    bowl = TRAYS["hemisphere"].triangles(is_open=True) + np.array([0.0, 0.0, 20.0])
    assert (bowl == 0.0).all(axis=2).any(axis=1).sum() >= 10
    assert note_lost(*look_over(bowl)) == ()


@pytest.mark.parametrize("torn", [1, 3])
def test_a_corner_taken_from_elsewhere(dense: Floats, torn: int) -> None:
    changed = dense.copy()
    small = np.flatnonzero(areas_mm2(dense) < 0.5)
    places = small[np.linspace(0, len(small) - 1, 7).astype(int)[1 : 1 + torn]]
    changed[places, 2] += np.array([20.0, 5.0, 15.0])
    (note,) = note_needles(changed, areas_mm2(changed))
    assert note == Note("needles", count=torn)


def test_a_spike_hangs_together_and_is_none(dense: Floats) -> None:
    # All triangles round one corner go with it: a sliver of stone, but no loose end.
    changed = dense.copy()
    corner = dense[np.flatnonzero(areas_mm2(dense) < 0.5)[3000], 0]
    changed[(dense == corner).all(axis=2)] += np.array([0.0, 0.0, 25.0])
    assert note_needles(changed, areas_mm2(changed)) == ()


def test_order_and_direction_do_not_matter(dense: Floats) -> None:
    changed = dense.copy()
    changed[4000, 2] += np.array([20.0, 5.0, 15.0])
    told = note_needles(changed, areas_mm2(changed))
    rng = np.random.default_rng(3)
    mixed = rng.permutation(np.roll(changed[:, ::-1], 1, axis=1))
    assert note_needles(mixed, areas_mm2(mixed)) == told
