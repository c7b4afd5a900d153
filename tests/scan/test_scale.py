"""Scale: units are told apart or asked for, and strays do not decide."""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.scan.writers import cuboid, stl_binary
from volest.errors import ScanError
from volest.scan.checks import areas_mm2, check_scale, mm_per_unit, sides_mm
from volest.scan.reading import read_scan, scan_from

SAMPLE_MESHES = Path(__file__).parents[2] / "sample_meshes"
SAMPLES = sorted(path.name for path in SAMPLE_MESHES.iterdir() if path.suffix in (".stl", ".ply"))


def box(length: float, high: float = 0.3) -> NDArray[np.float64]:
    return cuboid(length, length * 0.7, length * high).astype(np.float64)


def refusal_of(length: float, unit: str | None = None) -> ScanError:
    triangles = box(length)
    with pytest.raises(ScanError) as refusal:
        check_scale(triangles, areas_mm2(triangles), unit)
    assert refusal.value.code == "scale"
    return refusal.value


@pytest.mark.parametrize(("length", "high"), [(25, 0.5), (40, 0.3), (80, 0.3), (130, 0.3)])
def test_usual_sizes_pass(length: float, high: float) -> None:
    assert check_scale(box(length, high), areas_mm2(box(length, high)), None) == ()


@pytest.mark.parametrize("length", [15, 20, 140, 200])
def test_unusual_sizes_are_noted(length: float) -> None:
    (note,) = check_scale(box(length), areas_mm2(box(length)), None)
    assert note.code == "odd-size"
    assert note.values["odd"] == "side"
    assert note.values["side_mm"] == pytest.approx(length, abs=0.5)


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


def sized_wrongly(triangles: NDArray[np.float64], factor: float, unit: str) -> tuple[str, object]:
    """What is said of an impression that is read so many times too large: code and other unit."""
    per_unit = mm_per_unit(unit)
    try:
        notes = scan_from(triangles * (factor / per_unit), unit=unit).notes
    except ScanError as refusal:
        return refusal.code, None
    return (notes[0].code, notes[0].values["better_unit"]) if notes else ("", None)


INCH = 2.54  # of a cm, exactly: the one slip between units that leaves a scan near its size


@pytest.mark.parametrize("name", SAMPLES)
def test_an_inch_taken_for_a_cm_is_told_and_the_other_way_round(name: str) -> None:
    triangles = read_scan(SAMPLE_MESHES / name).triangles
    assert sized_wrongly(triangles, 1.0, "mm") == ("", None)
    assert sized_wrongly(triangles, 1.0 / INCH, "cm") == ("odd-size", "inch")
    assert sized_wrongly(triangles, INCH, "inch")[0] in ("odd-size", "scale")


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.parametrize("unit", ["cm", "inch"])
def test_where_two_units_fit_the_likelier_is_named(name: str, unit: str) -> None:
    triangles = read_scan(SAMPLE_MESHES / name).triangles / mm_per_unit(unit)
    with pytest.raises(ScanError) as refusal:
        scan_from(triangles)
    assert f"--unit {unit} makes it" in refusal.value.remedy
    several = "more than one" in refusal.value.remedy
    assert several == (f"{unit} is likelier by the height" in refusal.value.remedy)
    assert several or unit == "cm"  # in inches a full arch of 8 cm is beyond all trays


@pytest.mark.parametrize(
    ("length", "height", "odd"),
    [
        (39, 11, True),
        (39, 13, False),
        (41, 8, False),
        (60, 6, True),
        (70, 44, False),
        (70, 46, True),
    ],
)
def test_height_that_no_impression_has(length: float, height: float, *, odd: bool) -> None:
    triangles = cuboid(length, 0.7 * length, height).astype(np.float64)
    notes = check_scale(triangles, areas_mm2(triangles), None)
    assert [note.code for note in notes] == ["odd-size"] * odd
    assert all(note.values["side_mm"] == pytest.approx(length, abs=0.5) for note in notes)
    assert all(note.values["height_mm"] == pytest.approx(height, abs=0.05) for note in notes)


@pytest.mark.parametrize("strays", [0, 1])
def test_height_lies_as_the_scan_lies(strays: int) -> None:
    # Both ends of a cuboid hold far more than the 1 % that is left out; but what is cut off along
    # the file's own axes, so that strays do not turn the scan's, turns them a little itself.
    turn = Rotation.from_euler("xyz", [40, 25, 70], degrees=True).as_matrix()
    fine = trimesh.creation.box((60.0, 45.0, 17.0))
    for _ in range(4):
        fine = fine.subdivide()
    triangles = np.asarray(fine.triangles) @ turn.T
    triangles[:strays] += 4000.0
    _, height_mm = sides_mm(triangles, areas_mm2(triangles))
    assert height_mm == pytest.approx(17.0, rel=0.01)


def test_given_unit_is_checked_too(tmp_path: Path) -> None:
    path = tmp_path / "wrong.stl"
    path.write_bytes(stl_binary(cuboid()))
    with pytest.raises(ScanError, match=r"read as inch.*--unit mm makes it 60 mm"):
        read_scan(path, unit="inch")


def test_stray_and_spike_do_not_decide() -> None:
    sphere = trimesh.creation.icosphere(subdivisions=4, radius=30.0).triangles
    true_side = sides_mm(sphere, areas_mm2(sphere))[0]
    stray = sphere.copy()
    stray[7] += 5000.0  # a triangle far away
    stray[9, 1] = 9000.0  # a corner far away: a long spike of great area
    assert sides_mm(stray, areas_mm2(stray))[0] == pytest.approx(true_side, abs=0.2)
    assert true_side == pytest.approx(60.0, rel=0.03)


def test_more_triangles_measure_the_same() -> None:
    fine = trimesh.creation.icosphere(subdivisions=6, radius=30.0).triangles
    coarse = trimesh.creation.icosphere(subdivisions=4, radius=30.0).triangles
    sides = [sides_mm(each, areas_mm2(each))[0] for each in (fine, coarse)]
    assert sides[0] == pytest.approx(sides[1], rel=0.01)
