"""Cards: the slider's table follows the curve and the mix; refused scans have no card.

What is packed can be unpacked, to half a step.
"""

import base64
import json
import math
from pathlib import Path

import numpy as np
import pytest

from tests.flat import flat
from tests.view.bowls import looked_at, tray, write_bowl
from tests.view.test_mesh import BALL, R_MM, area_mm2
from volest.dosing import dose
from volest.errors import ScanError
from volest.lab import Bowl, Lab
from volest.settings import Settings
from volest.stone.words import scoops_cell
from volest.view.card import CardMaker, card_of, moves, pack_map, pack_surface, read_card, thinned


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
    assert len(text) < 900_000
    assert json.loads(text)["solid"]["marks"][0][0] == "excess"


def test_a_maker_keeps_cards_and_lets_refusals_through(tmp_path: Path) -> None:
    maker = CardMaker(pictures=False)
    _, draw = maker(write_bowl(tmp_path / "bowl.stl"), Settings())
    card = read_card(draw())
    assert card is not None
    assert card["picture"] is None
    (tmp_path / "bad.stl").write_bytes(b"")
    with pytest.raises(ScanError):
        maker(tmp_path / "bad.stl", Settings())


def unpacked(text: str, kind: str) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    return np.frombuffer(base64.b64decode(text), dtype=kind).astype(np.float64)


def test_thinning_keeps_shape_and_shading() -> None:
    thin, ways = thinned(BALL, 2.0)
    assert len(thin.points_mm) < len(BALL.points_mm) / 2
    assert area_mm2(thin) == pytest.approx(4 * math.pi * R_MM**2, rel=0.03)
    out = thin.points_mm / np.linalg.norm(thin.points_mm, axis=1)[:, None]
    assert np.einsum("ij,ij->i", ways, out).min() > 0.99


def test_a_surface_comes_back_to_half_a_step() -> None:
    packed = pack_surface(BALL)
    thin, ways = thinned(BALL, 0.5)
    size = np.array(packed["size"])
    points = unpacked(packed["points"], "<u2").reshape(-1, 3) / 65535.0 * size + packed["low"]
    assert np.abs(points - thin.points_mm).max() <= size.max() / 65535.0
    assert np.abs(unpacked(packed["ways"], "i1").reshape(-1, 3) / 127.0 - ways).max() < 0.005
    triangles = unpacked(packed["triangles"], "<u2").reshape(-1, 3)
    assert np.array_equal(triangles, thin.triangles)


def test_no_surface_is_too_fine() -> None:
    packed = pack_surface(BALL, most_points=500)
    assert len(unpacked(packed["points"], "<u2")) <= 3 * 500


def test_a_map_comes_back_to_half_a_step_below_its_lid() -> None:
    heights = np.linspace(-23.0, 40.0, 30).reshape(5, 6)
    packed = pack_map(heights, 12.0)
    back = packed["low"] + packed["step"] * unpacked(packed["heights"], "<u2").reshape(5, 6)
    assert np.abs(back - np.minimum(heights, 12.0)).max() <= packed["step"]
