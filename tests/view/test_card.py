"""Cards: the slider's table follows the curve and the mix; refused scans have no card.

What is packed can be unpacked, to half a step.
"""

import base64
import io
import json
import shutil
import zlib
from dataclasses import replace
from itertools import chain, permutations
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold
from PIL import Image
from scipy.ndimage import find_objects, label
from scipy.spatial.transform import Rotation

from tests.cavity.stages import bed
from tests.cavity.trays import corners_of
from tests.flat import flat
from tests.machine import need_drawing
from tests.scan import writers
from tests.view.bowls import looked_at, tray, write_bowl
from tests.view.test_mesh import BALL, area_mm2
from volest.dosing import dose
from volest.errors import ScanError
from volest.lab import Bowl, Cast, Lab
from volest.pipeline import examine
from volest.scan.decision import write_preparations
from volest.settings import Settings
from volest.stone.words import scoops_cell
from volest.view.page import (
    MOST_TRIANGLES,
    UNIT_MM,
    CardMaker,
    card_of,
    decimated,
    moves,
    packed,
    read_card,
    sheet_text,
)
from volest.view.scene import (
    LOOKS,
    Mesh,
    draw_impression,
    grid_mesh,
    joined,
)

SCANS = sorted(Path(__file__).parents[2].glob("sample_meshes/*.[ps][lt][yl]"))


def test_every_step_is_on_the_curve_and_has_its_mix(folder: Path) -> None:
    result, _ = looked_at(folder)
    table = moves(result, flat())
    heights, volumes = np.array(result.curve).T
    for height, volume_ml, powder_g, water_ml, scoops in table:
        if height != 0.0:
            assert volume_ml == pytest.approx(np.interp(height, heights, volumes), abs=6e-4)
        made = dose(result, volume_ml, flat())
        assert (float(powder_g), scoops) == (made.powder_g, scoops_cell(made))
        assert float(water_ml) == pytest.approx(made.water_ml, abs=0.051)


def test_steps_hold_what_a_sphere_holds(folder: Path) -> None:
    result, _ = looked_at(folder)
    by_height = {row[0]: row[1] for row in moves(result, Settings())}
    assert by_height[0.0] == pytest.approx(result.volume_ml, abs=6e-4)
    # the facets' own volume by manifold3d
    assert by_height[-4.0] == pytest.approx(tray("hemisphere").facets_ml(-4.0), rel=3e-3)


def test_heights_that_no_bowl_takes_do_not_cost_the_scan(tmp_path: Path) -> None:
    # The bowl holds 16.7 mL; with 15 % of waste that is 19.2 mL, two mixes of 10.2 mL at most.
    lab = Lab(bowl=(Bowl(name="small", most_ml=10.2),))
    scan, maker = write_bowl(tmp_path / "bowl.stl"), CardMaker(pictures=False)
    result, draw = maker(scan, flat(lab=lab))
    assert result.mix is not None
    card = read_card(draw())
    assert card is not None
    heights = [row[0] for row in card["moves"]]
    assert 0.0 in heights
    assert max(heights) < max(height for height, _ in result.curve) - 1.0
    assert all(volume_ml * 1.15 <= 20.4 for _, volume_ml, *_ in card["moves"])


def test_a_card_is_plain_and_small(folder: Path) -> None:
    result, cavity = looked_at(folder, base="rim=-4")
    text = json.dumps(card_of(result, cavity, Settings()), allow_nan=False)
    assert len(text) < 200_000
    assert json.loads(text)["solid"]["marks"][0][0] == "excess"


def test_what_only_a_guide_finds_stands_on_the_card_and_the_sheet(tmp_path: Path) -> None:
    # A cone that widens downwards holds its cast all round: see tests/cavity/test_separation.py.
    cone = Manifold.cylinder(15.0, 18.0, 15.0, 128).translate((0.0, 0.0, -15.0))
    scan = tmp_path / "held.stl"
    held = bed(cone + Manifold.cylinder(1.0, 15.0, 15.0, 128))
    scan.write_bytes(writers.stl_binary(corners_of(held)))
    result, draw = CardMaker(pictures=False)(scan, Settings())
    assert "ridge-undercut" not in [note.code for note in result.notes]
    card = read_card(draw())
    sheet = sheet_text([result], [card], Settings()).replace("\N{NO-BREAK SPACE}", " ")
    assert sheet.count("do not pull the cast out in one piece") == 2  # at its head, on the card
    assert "1 measured with notes" in sheet


def test_a_maker_keeps_cards_and_lets_refusals_through(tmp_path: Path) -> None:
    maker = CardMaker(pictures=False)
    _, draw = maker(write_bowl(tmp_path / "bowl.stl"), Settings())
    card = read_card(draw())
    assert card is not None
    assert card["picture"] is None
    (tmp_path / "bad.stl").write_bytes(b"")
    with pytest.raises(ScanError):
        maker(tmp_path / "bad.stl", Settings())


@pytest.fixture
def stumps(tmp_path: Path) -> Path:
    """A quadrant with marks within both stumps, by the maker's recipe, and off the impression."""
    name = "b0458-lower-right-quadrant-prepared.ply"
    scan = Path(shutil.copy(Path(__file__).parents[2] / "sample_meshes" / name, tmp_path))
    write_preparations(scan, [(9.01, 26.35, 7.94), (-7.08, 27.97, 9.57), (0.0, 0.0, 500.0)])
    return scan


def test_what_is_found_round_marked_preparations_is_noted_on_a_card(stumps: Path) -> None:
    lab = Lab(cast=Cast(under_margin_mm=20.0))
    _, draw = CardMaker(pictures=False)(stumps, Settings(lab=lab))
    card = read_card(draw())
    assert card is not None
    assert {"short-die", "mark-in-no-imprint"} <= {note["code"] for note in card["notes"]}


def test_marked_preparations_stand_in_the_picture_of_a_card(stumps: Path) -> None:
    need_drawing()
    _, draw = CardMaker(pictures=True)(stumps, Settings())
    card = read_card(draw())
    assert card is not None
    address, picture = card["picture"].split(",")
    assert address == "data:image/webp;base64"
    with Image.open(io.BytesIO(base64.b64decode(picture))) as image:
        pixels = np.asarray(image.convert("RGB")).astype(np.int64)
    blue = [int(LOOKS["prepared teeth"].colour[k : k + 2], 16) for k in (1, 3, 5)]
    above = pixels[:600, :700]
    parts, _ = label(np.abs(above - blue).max(axis=-1) < 40)  # such pictures are not exact
    sides = [[side.stop - side.start for side in part] for part in find_objects(parts)]
    assert [min(part) > 20 for part in sides].count(True) == 2  # rings seen from above


def unpacked(text: str) -> list[list[int]]:
    tables = json.loads(zlib.decompress(base64.b64decode(text)))
    assert all(isinstance(table, list) for table in tables)
    return list(tables)


def strayed_mm(fine: Mesh, few: Mesh) -> float:
    """Give how far corners of either lie from the other at most, as another library finds it."""
    both = [trimesh.Trimesh(one.points_mm, one.triangles, process=False) for one in (fine, few)]
    away = [
        trimesh.proximity.closest_point(to, of.vertices)[1]  # type: ignore[no-untyped-call]  # trimesh has none
        for to, of in permutations(both)
    ]
    return float(max(map(np.max, away)))


def tilted_plate() -> Mesh:
    """A flat plate that stands askew, where corners of a collapsed edge could lie anywhere."""
    level = grid_mesh(np.linspace(-30.0, 30.0, 101), np.linspace(-20.0, 20.0, 101))
    turn = Rotation.from_euler("xyz", [31.0, 17.0, 5.0], degrees=True).as_matrix()
    return replace(level, points_mm=level.points_mm @ turn.T)


def fin() -> Mesh:
    """Two walls 0.3 mm apart: closer than the corners on each."""
    wall = grid_mesh(np.linspace(0.0, 40.0, 81), np.linspace(0.0, 12.0, 61))
    return joined([wall, replace(wall, points_mm=wall.points_mm + np.array([0.0, 0.0, 0.3]))])


def ragged() -> Mesh:
    """A wavy surface whose border is all teeth: what is not seen is cut off so."""
    wavy = grid_mesh(np.linspace(0.0, 40.0, 121), np.linspace(0.0, 40.0, 121))
    x, y, _ = wavy.points_mm.T
    lifted = replace(wavy, points_mm=np.column_stack([x, y, np.sin(x / 3.0) * np.cos(y / 4.0)]))
    kept = np.random.default_rng(5).random(len(wavy.triangles)) < 0.97
    return replace(lifted, triangles=lifted.triangles[kept])


@pytest.mark.parametrize(
    ("fine", "most", "most_mm"),
    [(BALL, 2000, 0.15), (tilted_plate(), 900, 0.01), (fin(), 1200, 0.01), (ragged(), 9000, 0.02)],
    ids=["ball", "plate", "fin", "ragged"],
)
def test_fewer_triangles_stay_on_the_surface(fine: Mesh, most: int, most_mm: float) -> None:
    few = decimated(fine, most)
    assert most * 0.9 <= len(few.triangles) <= most * 1.01
    assert strayed_mm(fine, few) <= most_mm
    assert area_mm2(few) == pytest.approx(area_mm2(fine), rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("scan", SCANS, ids=lambda p: p.stem)
def test_no_sample_strays(scan: Path) -> None:
    cavity = examine(scan, Settings())[1]
    fine = draw_impression(cavity)
    few = decimated(fine)
    assert len(few.triangles) <= MOST_TRIANGLES
    assert strayed_mm(fine, few) <= 0.13


def test_surfaces_and_map_come_back_to_half_a_step() -> None:
    heights = np.linspace(-23.0, 12.0, 30).reshape(5, 6)
    surfaces = [BALL, fin()]
    wanted = [heights, *chain(*((one.points_mm, one.triangles) for one in surfaces))]
    for told, table in zip(unpacked(packed(heights, surfaces)), wanted, strict=True):
        back = np.cumsum(np.reshape(told, table.shape), axis=0)
        if table.dtype.kind == "i":
            assert np.array_equal(back, table)
        else:
            assert np.abs(back * UNIT_MM - table).max() <= UNIT_MM / 2 + 1e-9
