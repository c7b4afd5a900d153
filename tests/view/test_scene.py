"""Scenes: which blocks there are, and their sizes against formulas of the sphere."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold
from scipy.ndimage import distance_transform_edt

from tests.cavity.stages import bed
from tests.cavity.trays import corners_of
from tests.scan.writers import stl_binary
from tests.view.bowls import looked_at
from tests.view.test_mesh import area_mm2, length_mm
from volest.pipeline import examine, guided
from volest.report.guide import guide_lines
from volest.settings import Settings
from volest.view.scene import best_cut_mm, cut_open, scene_of, stone_heights_mm, worked

R_MM = 20.0  # of the hemisphere


def test_a_plain_bowl_has_three_blocks(folder: Path) -> None:
    _, cavity = looked_at(folder)
    assert list(scene_of(cavity).blocks) == ["impression", "stone", "base line"]


@pytest.mark.parametrize(
    ("name", "base", "marks"),
    [
        ("hemisphere", "rim=-4", {"excess"}),
        ("hemisphere", "rim=4.5", {"boxing"}),
        ("sunk-sphere", "rim", {"undercuts"}),
    ],
)
def test_marks_stand_where_there_is_something_to_do(
    folder: Path, name: str, base: str, marks: set[str]
) -> None:
    _, cavity = looked_at(folder, name, base)
    assert set(scene_of(cavity).blocks) - {"impression", "stone", "base line"} == marks


@pytest.mark.parametrize(("half_mm", "whats"), [(1.5, []), (6.0, ["cut"])])
def test_only_what_is_long_enough_to_cut_is_marked(
    folder: Path, half_mm: float, whats: list[str]
) -> None:
    _, cavity = looked_at(folder)
    x, y, _ = (cavity.rim.crest_mm - cavity.rim.crest_mm[0]).T
    near = np.hypot(x, y) < half_mm  # of a straight side: twice as long
    found = worked(cavity, np.where(near, 1.5, 0.0))
    assert [what for what, _, _ in found] == whats
    assert all(np.array_equal(off, near) for _, _, off in found)


def test_the_stone_top_is_a_disc(folder: Path) -> None:
    _, cavity = looked_at(folder, base="rim=-4")
    scene = scene_of(cavity)
    radius = math.sqrt(R_MM**2 - 4.0**2)
    stone = scene.blocks["stone"].mesh
    assert area_mm2(stone) == pytest.approx(math.pi * radius**2, rel=0.01)
    assert length_mm(scene.blocks["base line"].lines_mm) == pytest.approx(
        2 * math.pi * radius, rel=0.02
    )
    assert np.abs(stone.points_mm[np.unique(stone.triangles), 2]).max() < 1e-6


def test_heights_are_over_the_base_line(folder: Path) -> None:
    _, cavity = looked_at(folder, base="rim=-4")
    heights = scene_of(cavity).blocks["impression"].heights_mm
    assert heights.min() == pytest.approx(-16.0, abs=0.05)
    assert heights.max() == pytest.approx(4.0, abs=0.05)


@pytest.mark.parametrize("at_mm", [-6.3, 0.05, 11.0])
def test_the_cut_face_is_half_a_disc(folder: Path, at_mm: float) -> None:
    _, cavity = looked_at(folder)
    scene = scene_of(cavity)
    blocks = cut_open(scene, at_mm)
    assert area_mm2(blocks["cut face"].mesh) == pytest.approx(
        math.pi * (R_MM**2 - at_mm**2) / 2.0, rel=0.01
    )
    kept = blocks["impression"].mesh
    assert kept.points_mm[np.unique(kept.triangles), 1].min() == pytest.approx(at_mm, abs=1e-6)


def test_the_cut_face_fills_an_undercut(folder: Path) -> None:
    _, cavity = looked_at(folder, "sunk-sphere")
    scene = scene_of(cavity)
    face = cut_open(scene, 0.05)["cut face"].mesh
    # a disc of r = 20 without its segment of height 4: r^2 acos(d/r) - d sqrt(r^2 - d^2), d = 16
    segment = R_MM**2 * math.acos(0.8) - 16.0 * 12.0
    assert area_mm2(face) == pytest.approx(math.pi * R_MM**2 - segment, rel=0.01)


def test_the_cut_that_is_chosen_goes_through_the_stone(folder: Path) -> None:
    _, cavity = looked_at(folder)
    scene = scene_of(cavity)
    face = cut_open(scene, best_cut_mm(cavity))["cut face"].mesh
    assert area_mm2(face) > 0.9 * math.pi * R_MM**2 / 2.0


@pytest.mark.parametrize("is_drawn", [False, True])
def test_a_hollow_in_the_flange_is_stone_where_it_counts(is_drawn: bool, folder: Path) -> None:
    _, cavity = looked_at(folder, "half-ellipsoid")
    rim, top = cavity.rim, cavity.relief.top_mm.copy()
    off = distance_transform_edt(rim.land)
    j, i = np.unravel_index(np.argmax(off), off.shape)  # the widest of the flange
    hollow = np.hypot(*(np.indices(off.shape) - np.array([[[j]], [[i]]]))) < off.max() - 3.0
    assert hollow.sum() > 50
    if is_drawn:  # a groove all round holds more than a hundredth of all
        hollow = rim.land & (off > 3.0)
    top[hollow] -= 0.9
    relief = replace(cavity.relief, top_mm=top)
    hollowed = replace(cavity, rim=replace(rim, land=rim.land & ~hollow), relief=relief)
    plain, drawn = (scene_of(one).blocks["stone"].mesh for one in (cavity, hollowed))
    more_mm2 = area_mm2(drawn) - area_mm2(plain)
    assert (more_mm2 > 100.0) if is_drawn else (abs(more_mm2) < 1.0)  # edges are evened out
    # What the page reckons with while a line is moved has it in any case.
    heights = stone_heights_mm(hollowed, hollowed.base)
    assert (heights[hollow] < 0.0).any()


@pytest.mark.parametrize(("wide_mm", "is_marked"), [(15.3, False), (16.5, True)])
def test_undercuts_are_dotted_where_words_tell_them(
    tmp_path: Path, wide_mm: float, is_marked: bool
) -> None:
    # A cone that widens downwards by as much as its overhang goes in: words begin at half a mm.
    cone = Manifold.cylinder(15.0, wide_mm, 15.0, 128).translate((0.0, 0.0, -15.0))
    scan = tmp_path / "cone.stl"
    scan.write_bytes(stl_binary(corners_of(bed(cone + Manifold.cylinder(1.0, 15.0, 15.0, 128)))))
    result, cavity = examine(scan, Settings())
    _, guide = guided(result, cavity, Settings())
    assert ("undercuts" in scene_of(cavity).blocks) is is_marked
    assert any("mm and more at" in line for line in guide_lines(guide)) is is_marked


def test_a_marked_tooth_has_a_ring_over_it(folder: Path) -> None:
    _, cavity = looked_at(folder)
    place = cavity.frame.from_frame(np.array([4.0, 5.0, -12.0]))
    scene = scene_of(cavity, marks=[tuple(place.tolist())])
    points = scene.blocks["prepared teeth"].mesh.points_mm
    off = points[:, :2] - scene.stand.drawn(np.array([[4.0, 5.0, -12.0]]))[0, :2]
    assert np.hypot(*off.T).max() == pytest.approx(2.1, abs=0.1)  # half of 3.6 mm, and half a bead
    assert points[:, 2].max() > 4.0  # over the stone
