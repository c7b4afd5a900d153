"""Scale: units are told apart or asked for, and strays do not decide."""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from tests.scan.writers import cuboid, stl_binary
from volest.errors import ScanError
from volest.scan.checks import areas_mm2
from volest.scan.reading import read_scan
from volest.scan.scale import check_scale, longest_side_mm


def box(length: float) -> NDArray[np.float64]:
    return cuboid(length, length * 0.7, length * 0.3).astype(np.float64)


def refusal_of(length: float, unit: str | None = None) -> ScanError:
    triangles = box(length)
    with pytest.raises(ScanError) as refusal:
        check_scale(triangles, areas_mm2(triangles), unit)
    assert refusal.value.code == "scale"
    return refusal.value


@pytest.mark.parametrize("length", [25, 40, 80, 130])
def test_usual_sizes_pass(length: float) -> None:
    assert check_scale(box(length), areas_mm2(box(length)), None) == ()


@pytest.mark.parametrize("length", [15, 20, 140, 200])
def test_unusual_sizes_are_noted(length: float) -> None:
    (note,) = check_scale(box(length), areas_mm2(box(length)), None)
    assert note.code == "odd-size"
    assert f"{length} mm" in note.text


@pytest.mark.parametrize(
    ("length", "units"),
    [
        (0.07, {"m"}),  # an arch in metres
        (7.0, {"cm", "inch"}),  # 7 cm, or 178 mm in inches
        (2.8, {"cm", "inch"}),  # an arch in inches, or a quadrant in cm
        (0.9, {"inch"}),
        (12.0, {"cm"}),
        (70_000.0, set()),  # thousandths of a mm: no unit of the four
    ],
)
def test_refusal_names_every_unit_that_fits(length: float, units: set[str]) -> None:
    remedy = refusal_of(length).remedy
    assert {unit for unit in ("mm", "cm", "m", "inch") if f"--unit {unit} makes" in remedy} == units
    assert ("more than one" in remedy) == (len(units) > 1)


def test_given_unit_is_checked_too(tmp_path: Path) -> None:
    path = tmp_path / "wrong.stl"
    path.write_bytes(stl_binary(cuboid()))
    with pytest.raises(ScanError, match=r"read as inch.*--unit mm makes it 60 mm"):
        read_scan(path, unit="inch")


def test_stray_and_spike_do_not_decide() -> None:
    sphere = trimesh.creation.icosphere(subdivisions=4, radius=30.0).triangles
    true_side = longest_side_mm(sphere, areas_mm2(sphere))
    stray = sphere.copy()
    stray[7] += 5000.0  # a triangle far away
    stray[9, 1] = 9000.0  # a corner far away: a long spike of great area
    assert longest_side_mm(stray, areas_mm2(stray)) == pytest.approx(true_side, abs=0.2)
    assert true_side == pytest.approx(60.0, rel=0.03)


def test_more_triangles_measure_the_same() -> None:
    fine = trimesh.creation.icosphere(subdivisions=6, radius=30.0).triangles
    coarse = trimesh.creation.icosphere(subdivisions=4, radius=30.0).triangles
    sides = [longest_side_mm(each, areas_mm2(each)) for each in (fine, coarse)]
    assert sides[0] == pytest.approx(sides[1], rel=0.01)
