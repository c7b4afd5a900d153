"""Trays with cavities whose volume is known in closed form.

Formulas: CRC Standard Mathematical Tables, 'Solids' (cap, frustum, torus, sphere), read in a
copy; paraboloid, half ellipsoid and gutter by halving and Pappus' theorem. The cavities are cut
out of a block by an independent library (manifold3d), which also states the volume of the facets.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from manifold3d import CrossSection, Manifold

Floats = npt.NDArray[np.float64]
ROUND = 128
WALL_MM = 6.0


@dataclass(frozen=True, kw_only=True)
class Tray:
    """A block with one cavity, opening up at z = 0.

    ``formula_ml`` is the smooth solid's volume up to the block's top.
    """

    name: str
    cavity: Manifold
    formula_ml: float

    def triangles(self, *, is_open: bool) -> Floats:
        """Return (n, 3, 3) triangles: of the whole block, or of its top and cavity alone."""
        x_low, y_low, z_low, x_high, y_high, _ = self.cavity.bounding_box()
        size = (x_high - x_low + 2 * WALL_MM, y_high - y_low + 2 * WALL_MM, WALL_MM - z_low)
        corner = (x_low - WALL_MM, y_low - WALL_MM, z_low - WALL_MM)
        block = Manifold.cube(size).translate(corner)
        # A flat lid over the cavity would leave a skin at z = 0: cut with a cavity that stands out.
        triangles: Floats = corners_of(block - self.cavity - _chimney(self.cavity))
        if not is_open:
            return triangles
        low, high = np.array(corner), np.array(corner) + size
        middle = triangles.mean(axis=1)
        out = np.abs(middle[:, :2] - low[:2]).min(axis=1) < 1e-6
        out |= np.abs(middle[:, :2] - high[:2]).min(axis=1) < 1e-6
        out |= np.abs(middle[:, 2] - low[2]) < 1e-6
        return np.asarray(triangles[~out])

    def facets_ml(self, height_mm: float) -> float:
        """Return the volume of the cavity's own facets below a height, by manifold3d."""
        return float(self.cavity.trim_by_plane((0.0, 0.0, -1.0), -height_mm).volume()) / 1000.0


def corners_of(solid: Manifold) -> Floats:
    mesh = solid.to_mesh()
    points = np.asarray(mesh.vert_properties[:, :3], dtype=np.float64)
    return np.asarray(points[mesh.tri_verts])


def _chimney(cavity: Manifold) -> Manifold:
    """Carry the opening a little up, so that no face of the cavity lies in the block's top."""
    opening = cavity.slice(-1e-6)
    return Manifold.extrude(opening, 1.0).translate((0.0, 0.0, -1e-6))


def turned(profile: list[tuple[float, float]], degrees: float = 360.0) -> Manifold:
    """Turn a profile of (radius, height) about the z axis."""
    return Manifold.revolve(CrossSection([profile]), ROUND, degrees)


def curve(radius_at: Callable[[float], float], depth_mm: float) -> list[tuple[float, float]]:
    """Return the profile of a bowl whose radius is given over its depth, z from -depth to 0."""
    heights = -depth_mm * np.cos(np.linspace(0.0, math.pi / 2, 65))
    points = [(radius_at(float(z)), float(z)) for z in heights]
    points[0] = (0.0, -depth_mm)
    points[-1] = (points[-1][0], 0.0)
    return [*points, (0.0, 0.0)]


def hull(points: list[tuple[float, float, float]]) -> Manifold:
    return Manifold.hull_points(points)


def _gutter() -> Manifold:
    half_round = [
        (20.0 + 8.0 * math.cos(a), 8.0 * math.sin(a)) for a in np.linspace(-math.pi, 0.0, 65)
    ]
    half_round[0], half_round[-1] = (12.0, 0.0), (28.0, 0.0)
    return turned(half_round, 180.0)


def _sunk_sphere() -> Manifold:
    """Sink a ball of r = 20 until the opening has r = 12: undercut all round."""
    return Manifold.sphere(20.0, ROUND).translate((0, 0, -16.0)).trim_by_plane((0, 0, -1), 0.0)


def trays() -> list[Tray]:
    rim = [(30.0, 20.0), (-30.0, 20.0), (-30.0, -20.0), (30.0, -20.0)]
    foot = [(25.0, 15.0), (-25.0, 15.0), (-25.0, -15.0), (25.0, -15.0)]
    round_r = 30.0 / math.sqrt(3.0)
    corners = [
        (round_r * math.cos(a), round_r * math.sin(a), 0.0)
        for a in (0.0, 2 * math.pi / 3, 4 * math.pi / 3)
    ]
    bowl = turned(curve(lambda z: math.sqrt(1.0 - (z / 12.0) ** 2), 12.0))
    dish = turned(curve(lambda z: math.sqrt(1.0 + z / 12.0), 12.0))
    over = 4.0  # height of the cap of the sunk ball that the block's top cuts off
    return [
        Tray(
            name="cuboid",
            cavity=Manifold.cube((60, 50, 20)).translate((0, 0, -20)),
            formula_ml=60.0,
        ),
        Tray(
            name="hemisphere",
            cavity=turned(curve(lambda z: math.sqrt(400.0 - z * z), 20.0)),
            formula_ml=2 / 3 * math.pi * 20**3 / 1000,
        ),
        Tray(
            name="frustum",
            cavity=Manifold.cylinder(15, 20, 25, ROUND).translate((0, 0, -15)),
            formula_ml=math.pi * 15 / 3 * (25**2 + 25 * 20 + 20**2) / 1000,
        ),
        Tray(
            name="cap",
            cavity=turned(curve(lambda z: math.sqrt(900.0 - (z - 20.0) ** 2), 10.0)),
            formula_ml=math.pi * 10**2 * (3 * 30 - 10) / 3 / 1000,
        ),
        Tray(name="gutter", cavity=_gutter(), formula_ml=math.pi**2 * 20 * 8**2 / 2 / 1000),
        Tray(
            name="paraboloid",
            cavity=dish.scale((30, 22, 1)),
            formula_ml=math.pi * 30 * 22 * 12 / 2 / 1000,
        ),
        Tray(
            name="half-ellipsoid",
            cavity=bowl.scale((30, 22, 1)),
            formula_ml=2 / 3 * math.pi * 30 * 22 * 12 / 1000,
        ),
        Tray(
            name="prismatoid",
            cavity=hull([(x, y, 0.0) for x, y in rim] + [(x, y, -12.0) for x, y in foot]),
            formula_ml=12 / 6 * (60 * 40 + 4 * 55 * 35 + 50 * 30) / 1000,
        ),
        Tray(
            name="tetrahedron",
            cavity=hull([*corners, (0.0, 0.0, -30.0 * math.sqrt(2 / 3))]),
            formula_ml=30**3 / (6 * math.sqrt(2)) / 1000,
        ),
        Tray(
            name="sunk-sphere",
            cavity=_sunk_sphere(),
            formula_ml=math.pi * (4 / 3 * 20**3 - over**2 * (60 - over) / 3) / 1000,
        ),
    ]
