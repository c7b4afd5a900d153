"""Decisions: saved beside a scan, obeyed from then on, and refused when they do not fit."""

import math
from pathlib import Path

import numpy as np
import pytest

from tests.cavity.posing import random_move
from tests.cavity.trays import trays
from tests.scan import writers
from volest.errors import ScanError, UsageError
from volest.pipeline import size_scan
from volest.result import REFUSED
from volest.scan.decision import (
    Decision,
    Patch,
    decision_path,
    read_decision,
    read_told,
    write_decision,
    write_preparations,
    write_told,
)
from volest.settings import Base, Settings

BOWL = {tray.name: tray for tray in trays()}["hemisphere"]
MOVE = random_move(3)
POINT, NORMAL = MOVE.plane(-4.0)[:3], MOVE.plane(-4.0)[3:]


def triple(values: tuple[float, ...]) -> tuple[float, float, float]:
    x, y, z = values
    return x, y, z


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    path = tmp_path / "bowl.stl"
    path.write_bytes(writers.stl_binary(MOVE.points(BOWL.triangles(is_open=True))))
    return path


def decision(*patches: Patch) -> Decision:
    return Decision(point_mm=triple(POINT), normal=triple(NORMAL), patches=patches)


def test_what_is_saved_is_read_again(scan: Path) -> None:
    made = decision(Patch(what="take-in", centre_mm=(1.0, 2.0, 3.0), radius_mm=4.0))
    write_decision(scan, made)
    assert read_decision(scan) == made


def test_a_scan_without_one_has_none(scan: Path) -> None:
    assert read_decision(scan) is None


def test_a_saved_base_line_is_obeyed_and_said(scan: Path) -> None:
    write_decision(scan, decision())
    result = size_scan(scan, Settings())
    assert result.base_line is not None
    assert result.base_line.how == "saved"
    # The facets' own volume by manifold3d.
    assert result.volume_ml == pytest.approx(BOWL.facets_ml(-4.0), rel=1e-3)


def test_a_base_line_that_is_asked_for_goes_before_it(scan: Path) -> None:
    write_decision(scan, decision())
    result = size_scan(scan, Settings(base=Base(offset_mm=-1.0), obey_saved=False))
    assert result.base_line is not None
    assert result.base_line.how == "rim"
    assert result.volume_ml == pytest.approx(BOWL.facets_ml(-1.0), rel=2e-3)


def test_a_patch_is_left_out(scan: Path) -> None:
    """A cylinder of r = 5 on the axis of a ball: V = 2 pi/3 (R^3 - (R^2 - r^2)^1.5) - pi r^2 h."""
    middle = triple(tuple(MOVE.points(np.zeros(3))))
    write_decision(scan, decision(Patch(what="leave-out", centre_mm=middle, radius_mm=5.0)))
    result = size_scan(scan, Settings())
    core_ml = 2 * np.pi / 3 * (20.0**3 - (20.0**2 - 5.0**2) ** 1.5) - np.pi * 5.0**2 * 4.0
    assert result.volume_ml == pytest.approx(BOWL.facets_ml(-4.0) - core_ml / 1000.0, rel=0.01)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("volest_decision = 1", "volest_decision = 2"),
        ("volest_decision = 1", ""),
        ("[base_line]", "[base]"),
        ("normal = [", "normal = [true, "),
        ("normal = [", "normal = [nan, "),
        ("scan_sha256 = ", "scan_sha256 = 'a'\nold = "),
        ("patch = []", "patch = 3"),
        ("patch = []", "[[patch]]\nwhat = 'drill'"),
        ("patch = []", "[[patch]]\nwhat = 'take-in'\nradius_mm = -1"),
        ("volest_decision", "\x00"),
        ("point_mm", "é = ["),
    ],
)
def test_what_does_not_fit_refuses_the_scan(old: str, new: str, scan: Path) -> None:
    path = write_decision(scan, decision())
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ScanError, match=decision_path(scan).name) as refusal:
        read_decision(scan)
    assert refusal.value.code == "decision"
    assert size_scan(scan, Settings()).outcome == REFUSED
    assert size_scan(scan, Settings(obey_saved=False)).code is None


def test_a_changed_scan_makes_it_void(scan: Path) -> None:
    write_decision(scan, decision())
    scan.write_bytes(writers.stl_binary(BOWL.triangles(is_open=True)))
    with pytest.raises(ScanError, match="another content"):
        read_decision(scan)


def test_a_decision_that_links_elsewhere_is_refused_and_not_told(tmp_path: Path) -> None:
    (tmp_path / "b.stl").write_bytes(b"solid b")
    (tmp_path / "secret").write_text("password hidden", encoding="utf-8")
    decision_path(tmp_path / "b.stl").symlink_to("secret")
    with pytest.raises(ScanError, match=r"found a link in b\.stl") as caught:
        read_decision(tmp_path / "b.stl")
    assert "hidden" not in str(caught.value)


def test_a_decision_with_a_byte_order_mark_is_obeyed(tmp_path: Path) -> None:
    (tmp_path / "b.stl").write_bytes(b"solid b")
    made = Decision(point_mm=(0.0, 0.0, 1.0), normal=(0.0, 0.0, 1.0))
    path = write_decision(tmp_path / "b.stl", made)
    path.write_text(path.read_text(encoding="utf-8"), encoding="utf-8-sig")
    assert read_decision(tmp_path / "b.stl") == made


def test_preparations_stand_alone_and_beside_all_else(scan: Path) -> None:
    marks = [(1.0, -2.5, 3.0), (4.0, 5.0, -6.0)]
    write_preparations(scan, marks)
    assert read_told(scan).preparations == tuple(marks)
    assert read_decision(scan) is None
    write_told(scan, taken=None, material="alginate")
    write_decision(scan, decision())
    assert (read_decision(scan), read_told(scan).preparations) == (decision(), tuple(marks))
    write_decision(scan, None)
    write_preparations(scan, marks[1:])
    assert (read_told(scan).material, read_told(scan).preparations) == (
        "alginate",
        tuple(marks[1:]),
    )
    write_told(scan, taken=None, material=None)
    assert read_told(scan).preparations == tuple(marks[1:])
    write_preparations(scan, [])
    assert not decision_path(scan).exists()


def test_preparations_written_by_hand_hold_for_any_content(scan: Path) -> None:
    decision_path(scan).write_text("volest_decision = 1\npreparations = [[1, 2, 3.5]]\n")
    assert (read_decision(scan), read_told(scan).preparations) == (None, ((1.0, 2.0, 3.5),))


def test_preparations_of_another_content_refuse_the_scan(scan: Path) -> None:
    write_preparations(scan, [(1.0, 2.0, 3.0)])
    scan.write_bytes(writers.stl_binary(BOWL.triangles(is_open=True)))
    with pytest.raises(ScanError, match="another content"):
        read_decision(scan)
    assert read_told(scan).preparations == ()
    write_decision(scan, None)  # the refused line is taken away, its marks do not come back
    assert (read_decision(scan), read_told(scan).preparations) == (None, ())


@pytest.mark.parametrize(
    "value",
    ["3", "[1, 2, 3]", "[[1, 2]]", "[[1, 2, nan]]", "[[1, 2, inf]]", "[[1, 2, 1e7]]",
     "[['1', 2, 3]]", "[[true, 2, 3]]", "[" + "[1, 2, 3]," * 33 + "]"],
)  # fmt: skip
def test_preparations_that_are_no_places_refuse_the_scan(value: str, scan: Path) -> None:
    decision_path(scan).write_text(f"volest_decision = 1\npreparations = {value}\n")
    with pytest.raises(ScanError, match="preparations =") as refusal:
        read_decision(scan)
    assert refusal.value.code == "decision"
    assert read_told(scan).preparations == ()


def test_no_preparations_that_are_no_places_are_saved(scan: Path) -> None:
    for marks in ([(1.0, 2.0, math.nan)], [(1.0, 2.0, 3.0)] * 33):
        with pytest.raises(UsageError, match="preparations"):
            write_preparations(scan, marks)
    assert not decision_path(scan).exists()
