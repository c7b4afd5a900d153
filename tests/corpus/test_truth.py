"""The integral of a field against solids whose volume is known in closed form."""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.corpus.arch import Places
from tests.corpus.blend import Array
from tests.corpus.mesh import Mesh
from tests.corpus.surface import extract
from tests.corpus.truth import measure


class Flat:
    """Columns told by x and y alone."""

    def places(self, x: Array, y: Array) -> Places:
        """Tell columns by x and y."""
        nothing = np.zeros((len(x), 1))
        return Places(x=x[:, None], y=y[:, None], along=nothing, across=nothing)


FLAT = Flat()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ball:
    """Ground with the shape of a ball pressed in; above z = 0 there is air."""

    radius_mm: float
    centre_mm: float
    arch: Flat = FLAT

    def field(self, places: Places, z: Array) -> Array:
        """Give the field: positive in air."""
        away = np.sqrt(places.x**2 + places.y**2 + (z - self.centre_mm) ** 2)
        field: Array = np.maximum(z, self.radius_mm - away)
        return field

    def inside(self, places: Places) -> NDArray[np.bool_]:
        """Tell which columns may hold the cavity."""
        within: NDArray[np.bool_] = np.hypot(places.x, places.y) < self.radius_mm + 2.0
        return within


class Gutter(Ball):
    """Ground with half a round gutter, swept through half a turn, pressed in."""

    def field(self, places: Places, z: Array) -> Array:
        """Give the field: positive in air."""
        away = np.hypot(np.hypot(places.x, places.y) - 20.0, z)
        field: Array = np.maximum(z, np.minimum(8.0 - away, places.y))
        return field

    def inside(self, places: Places) -> NDArray[np.bool_]:
        """Tell which columns may hold the cavity."""
        within: NDArray[np.bool_] = np.hypot(places.x, places.y) < 30.0
        return within


BOX = np.array([[-31.0, -31.0, -40.0], [31.0, 31.0, 2.0]])
SPHERE_ML = 4.0 / 3.0 * np.pi * 20.0**3 / 1000.0


@pytest.mark.parametrize(
    ("solid", "volume_ml", "slope_ml_per_mm"),
    [
        # half a ball, 2/3 pi r^3: any handbook of mensuration
        (Ball(radius_mm=20.0, centre_mm=0.0), SPHERE_ML / 2.0, np.pi * 0.4),
        # spherical cap, pi h^2 (3 r - h) / 3 with h = 30: the opening is narrower than the belly
        (Ball(radius_mm=20.0, centre_mm=-10.0), np.pi * 900.0 * 30.0 / 3000.0, np.pi * 0.3),
        # Pappus: half the section pi r^2 / 2 swept through pi R
        (Gutter(radius_mm=8.0, centre_mm=0.0), np.pi**2 * 20.0 * 64.0 / 2000.0, np.pi * 0.32),
    ],
    ids=["half a ball", "cap with undercut", "gutter"],
)
def test_known_volumes(solid: Ball, volume_ml: float, slope_ml_per_mm: float) -> None:
    found = measure(solid, BOX, -1e-9, 0.2)
    assert found.volume_ml == pytest.approx(volume_ml, rel=1e-4)
    assert found.slope_ml_per_mm == pytest.approx(slope_ml_per_mm, rel=2e-3)


def test_sealed_bubble_is_no_cavity() -> None:
    sealed = Ball(radius_mm=10.0, centre_mm=-20.0)
    assert measure(sealed, BOX, -1.0, 0.5).volume_ml == 0.0


def test_triangles_agree_with_the_ball() -> None:
    ball = Ball(radius_mm=20.0, centre_mm=-25.0)  # a whole ball under ground
    mesh = extract(ball, np.array([[-22.0, -22.0, -47.0], [22.0, 22.0, -3.0]]), 1.5)
    assert -_volume_ml(mesh) == pytest.approx(SPHERE_ML, rel=2e-4)


def _volume_ml(mesh: Mesh) -> float:
    """Give the enclosed volume: the sum of signed tetrahedra (Zhang and Chen 2001)."""
    first, second, third = np.moveaxis(mesh.corners - mesh.vertices.mean(axis=0), 1, 0)
    return float(np.einsum("ij,ij->i", first, np.cross(second, third)).sum()) / 6000.0
