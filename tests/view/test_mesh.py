"""Surfaces: areas and lengths against formulas of the sphere and the circle (CRC tables)."""

import math

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.trays import corners_of
from volest.cavity.frame import Floats
from volest.view.scene import Mesh, edges_of, grid_mesh, joined, part_below, welded

R_MM = 20.0
BALL = welded(corners_of(Manifold.sphere(R_MM, 128)).transpose(2, 1, 0))


def area_mm2(mesh: Mesh) -> float:
    a, b, c = (mesh.points_mm[mesh.triangles[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def length_mm(lines_mm: Floats) -> float:
    return float(np.linalg.norm(lines_mm[:, 1] - lines_mm[:, 0], axis=1).sum())


def test_welding_leaves_a_closed_ball() -> None:
    edges = 3 * len(BALL.triangles) // 2
    assert len(BALL.points_mm) - edges + len(BALL.triangles) == 2  # Euler
    assert len(edges_of(BALL)) == 0


def test_normals_point_out_of_a_ball() -> None:
    out = BALL.points_mm / np.linalg.norm(BALL.points_mm, axis=1)[:, None]
    assert np.einsum("ij,ij->i", BALL.normals(), out).min() > 0.999


@pytest.mark.parametrize("height_mm", [-13.7, 0.1, 8.05])
def test_a_cut_keeps_the_cap_below_and_its_edge(height_mm: float) -> None:
    cap = part_below(BALL, BALL.points_mm[:, 2] - height_mm)
    # area 2 pi r h of a spherical cap, 2 pi rho of its edge
    assert area_mm2(cap) == pytest.approx(2 * math.pi * R_MM * (R_MM + height_mm), rel=3e-3)
    edge = 2 * math.pi * math.sqrt(R_MM**2 - height_mm**2)
    assert length_mm(edges_of(cap)) == pytest.approx(edge, rel=3e-3)


def test_both_parts_of_a_cut_are_the_whole() -> None:
    values = BALL.points_mm @ np.array([0.3, -0.8, 0.5]) - 3.0
    parts = area_mm2(part_below(BALL, values)) + area_mm2(part_below(BALL, -values))
    assert parts == pytest.approx(area_mm2(BALL), rel=1e-9)


def test_a_net_covers_its_rectangle_and_joins() -> None:
    net = grid_mesh(np.linspace(0.0, 3.0, 7), np.linspace(0.0, 2.0, 5))
    assert area_mm2(net) == pytest.approx(6.0)
    assert area_mm2(joined([net, net])) == pytest.approx(12.0)
    assert len(joined([]).triangles) == 0
