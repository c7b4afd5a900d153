"""A base line in somebody's hands: figures against formulas of the sphere, and what is saved."""

import math
from pathlib import Path

import numpy as np
import pytest

from tests.batch.small import bowl_stl
from tests.cavity.posing import random_move
from tests.flat import flat, mix
from tests.scan.writers import stl_binary
from tests.view.bowls import tray, write_bowl
from volest.errors import ScanError
from volest.lab import Bowl, Lab
from volest.pipeline import size_scan
from volest.scan.decision import (
    Patch,
    decision_path,
    read_decision,
    read_told,
    write_decision,
    write_preparations,
)
from volest.scan.reading import scan_from
from volest.settings import Base, Settings
from volest.view.editor import BaseLineEditor, Held

R_MM = 20.0


@pytest.fixture
def bowl(tmp_path: Path) -> Path:
    return write_bowl(tmp_path / "bowl.stl")


def test_at_first_the_measured_figures_hold(bowl: Path) -> None:
    handling = BaseLineEditor(bowl, flat())
    figures = handling.figures()
    assert figures.volume_ml == handling.result.volume_ml
    assert figures.mix is not None
    assert figures.mix.powder_g == mix(figures.volume_ml).powder_g


@pytest.mark.parametrize("height_mm", [-1.0, -4.3, -12.0])
def test_lowered_it_holds_what_the_sphere_holds(bowl: Path, height_mm: float) -> None:
    handling = BaseLineEditor(bowl, Settings())
    handling.move_by(height_mm=height_mm)
    # the facets' own volume by manifold3d; the columns and straight lines between heights
    assert handling.figures().volume_ml == pytest.approx(
        tray("hemisphere").facets_ml(height_mm), rel=0.01
    )


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("held", [Held(height_mm=1.0), Held(height_mm=1.0, right_deg=4.0)])
def test_over_the_rim_the_reserve_is_that_of_the_line_held(
    tmp_path: Path, number: int, held: Held
) -> None:
    # Land all round makes the volume over the rim less sure; two are held apart by their land.
    one, other = (scan_from(bowl_stl(n)).triangles for n in (0, 30))
    path = tmp_path / "two.stl"
    path.write_bytes(stl_binary(np.concatenate([one, other + np.array([75.0, 0.0, 0.0])])))
    handling = BaseLineEditor(path, Settings(), number)
    handling.hold(held)
    told = handling.figures().mix
    saved = handling.save().figures().mix
    assert told is not None
    assert saved is not None
    assert told.powder_g == pytest.approx(saved.powder_g, abs=1.0)


@pytest.mark.parametrize(("right", "front"), [(5.0, 0.0), (-3.0, 0.0), (0.0, 4.0), (3.0, -3.0)])
def test_tilted_about_a_sphere_it_is_still_a_cap(bowl: Path, right: float, front: float) -> None:
    handling = BaseLineEditor(bowl, Settings())
    handling.move_by(height_mm=-4.0)
    handling.move_by(right_deg=right, front_deg=front)
    # The plane keeps its point on the sphere's axis; its distance from the middle is 4 mm along
    # its normal, as `Held` says: cap of height h = R - 4, pi h^2 (3 R - h) / 3 (CRC tables).
    h = R_MM - 4.0
    assert handling.figures().volume_ml == pytest.approx(
        math.pi * h**2 * (3 * R_MM - h) / 3000.0, rel=5e-3
    )


def test_it_is_kept_inside_what_makes_sense(bowl: Path) -> None:
    handling = BaseLineEditor(bowl, Settings())
    handling.hold(Held(height_mm=99.0, right_deg=99.0, front_deg=-99.0))
    assert handling.held == Held(height_mm=handling.range_mm[1], right_deg=15.0, front_deg=-15.0)
    handling.hold(Held(height_mm=-99.0))
    assert handling.figures().mix is None


def test_what_is_saved_is_obeyed_by_size(tmp_path: Path) -> None:
    move = random_move(7)
    path = tmp_path / "bowl.stl"
    moved = move.points(tray("hemisphere").triangles(is_open=True))
    path.write_bytes(stl_binary(moved.astype(np.float32)))
    handling = BaseLineEditor(path, Settings())
    handling.move_by(height_mm=-4.0)
    handling.move_by(right_deg=3.0, front_deg=-2.0)
    held = handling.figures().volume_ml
    again = handling.save()
    assert again.held == Held()
    result = size_scan(path, Settings())
    assert result.base_line is not None
    assert result.base_line.how == "saved"
    assert result.volume_ml == again.result.volume_ml == pytest.approx(held, rel=5e-3)
    # 4 mm from the ball's middle, which is the mouth's, as a plane in the file's own frame
    plane = read_decision(path)
    assert plane is not None
    off = (np.array(plane.point_mm) - move.points(np.zeros(3))) @ np.array(plane.normal)
    assert off == pytest.approx(-4.0, abs=0.05)


@pytest.mark.parametrize(
    "held",
    [
        Held(height_mm=1.0),
        Held(height_mm=2.0),
        Held(height_mm=-1.0),
        Held(height_mm=1.0, right_deg=3.0, front_deg=-2.0),
    ],
)
def test_the_heap_stands_on_the_line_as_it_is_held(held: Held) -> None:
    # A heap over the rim shrinks as the line rises: the cast ends as high, held or saved.
    lower = Path(__file__).parents[2] / "sample_meshes" / "b0422-lower-left-quadrant.stl"
    handling = BaseLineEditor(lower, Settings())
    handling.hold(held)
    told = handling.figures().mix
    point, normal = handling.line()
    saved = size_scan(lower, Settings(base=Base(how="plane", plane=(*point, *normal)))).mix
    assert told is not None
    assert saved is not None
    assert told.powder_g == pytest.approx(saved.powder_g, abs=1.0)  # a saved line is in no doubt


def test_a_line_is_not_saved_for_another_scan(bowl: Path) -> None:
    handling = BaseLineEditor(bowl, Settings())
    handling.move_by(height_mm=-1.0)
    write_bowl(bowl, "sunk-sphere")
    with pytest.raises(ScanError, match="replaced meanwhile"):
        handling.save()
    assert read_decision(bowl) is None


def test_what_was_saved_elsewhere_meanwhile_is_not_written_over(bowl: Path) -> None:
    handling = BaseLineEditor(bowl, Settings())
    write_preparations(bowl, [(1.0, 2.0, -20.0)])
    handling.mark_at(np.array([5.0, 5.0, -19.0]))
    with pytest.raises(ScanError, match="meanwhile"):
        handling.save()
    assert read_told(bowl).preparations == ((1.0, 2.0, -20.0),)


def test_a_mark_is_taken_away_by_a_second_touch_and_not_from_the_tooth_opposite(bowl: Path) -> None:
    handling = BaseLineEditor(bowl, Settings())
    handling.mark_at(np.array([5.0, 5.0, -19.0]))
    handling.mark_at(np.array([6.0, 5.0, -4.0]))  # of a tray that is bitten into from both sides
    two = handling.prepared
    handling.mark_at(np.array([5.0, 5.0, -18.0]))
    handling.mark_at(np.array([5.0, 5.0, -4.0]))
    assert (len(two), len(handling.prepared)) == (2, 0)
    assert handling.held == Held()  # nothing is left to save


def test_a_line_by_which_the_scan_is_refused_is_not_saved(
    bowl: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise ScanError("no cavity", needed="one", remedy="none")

    handling = BaseLineEditor(bowl, Settings())
    monkeypatch.setattr("volest.view.editor.examine", refuse)
    with pytest.raises(ScanError, match="no cavity"):
        handling.save()
    assert read_decision(bowl) is None


def test_a_height_that_no_bowl_takes_has_a_volume_and_a_reason(bowl: Path) -> None:
    # The bowl holds 16.7 mL; with 15 % of waste that is 19.2 mL, two mixes of 10.2 mL at most.
    lab = Lab(bowl=(Bowl(name="small", most_ml=10.2),))
    handling = BaseLineEditor(bowl, flat(lab=lab))
    assert handling.figures().mix is not None
    handling.move_by(height_mm=1.0)
    figures = handling.figures()
    assert figures.volume_ml > 16.7
    assert figures.mix is None
    assert "the largest bowl takes 10.2 mL" in figures.why


def test_a_scan_that_no_bowl_takes_is_held_all_the_same(bowl: Path) -> None:
    lab = Lab(bowl=(Bowl(name="small", most_ml=5.0),))
    settings = Settings(lab=lab)
    assert size_scan(bowl, settings).code == "mix-bowl"
    handling = BaseLineEditor(bowl, settings)
    assert handling.figures().volume_ml == handling.result.volume_ml == pytest.approx(16.7, abs=0.1)
    assert "the largest bowl takes 5 mL" in handling.figures().why
    handling.move_by(height_mm=-1.0)
    assert handling.save().result.base_line is not None


def test_patches_saved_before_are_kept(bowl: Path) -> None:
    handling = BaseLineEditor(bowl, Settings())
    patch = Patch(what="leave-out", centre_mm=(30.0, 0.0, 0.0), radius_mm=1.0)
    write_decision(bowl, handling.decision())
    decision = read_decision(bowl)
    assert decision is not None
    write_decision(
        bowl, type(decision)(point_mm=decision.point_mm, normal=decision.normal, patches=(patch,))
    )
    saved = BaseLineEditor(bowl, Settings())
    saved.save()
    kept = read_decision(bowl)
    assert kept is not None
    assert kept.patches == (patch,)
    assert decision_path(bowl).is_file()
