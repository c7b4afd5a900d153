"""What is packed can be unpacked, to half a step."""

import base64
import math

import numpy as np
import pytest

from tests.view.test_mesh import BALL, R_MM, area_mm2
from volest.view.card import pack_map, pack_surface, thinned


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
