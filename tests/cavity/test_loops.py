"""Compiled loops against the numpy and scipy code that they stand in for.

Source of truth: the numpy way, whose own tests compare it with closed forms; scikit-image's
reconstruction, watershed and convex hull for the floods and the outline.
"""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import ndimage
from skimage.morphology import convex_hull_image, reconstruction
from skimage.segmentation import watershed

from tests.marks import slow
from volest.cavity.cells import divided, flood_levels
from volest.cavity.columns import Surface, columns_of, grid_over, peaks_of_surface
from volest.cavity.frame import Frame, frame_along
from volest.cavity.height_map import height_map_of_columns, height_map_of_points
from volest.cavity.pose import spread_samples
from volest.cavity.rim import _least_median
from volest.cavity.trim import convex_outline
from volest.cavity.void import neighbours
from volest.pipeline import examine
from volest.scan.compiling import SWITCH
from volest.scan.reading import read_scan
from volest.settings import Settings

pytest.importorskip("numba")
SAMPLES = Path(__file__).parents[2] / "sample_meshes"
NAMES = sorted(path.name for path in SAMPLES.glob("b*") if path.suffix in (".stl", ".ply"))
Ways = Callable[[Callable[[], Any]], tuple[Any, Any]]


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Ways:
    """Give a caller that does a thing the numpy way and the compiled way."""

    def ways(call: Callable[[], Any]) -> tuple[Any, Any]:
        monkeypatch.setenv(SWITCH, "never")
        plain = call()
        monkeypatch.setenv(SWITCH, "always")
        return plain, call()

    return ways


def hills(count: int) -> Iterator[tuple[np.random.Generator, np.ndarray[Any, Any]]]:
    for seed in range(count):
        rng = np.random.default_rng(seed)
        rough = rng.normal(size=rng.integers(3, 60, 2))
        yield rng, ndimage.gaussian_filter(rough, rng.uniform(0.3, 3.0))


def surfaces() -> Iterator[Surface]:
    rng = np.random.default_rng(5)
    frame = frame_along(rng.normal(size=3), rng.normal(size=3))
    for lattice in (False, True):  # corners on cell centres: the ties that tear columns
        triangles = rng.uniform(-8.0, 8.0, (400, 3, 3))
        if lattice:
            triangles = np.round(triangles)
            frame = Frame(rotation=np.eye(3), origin_mm=np.zeros(3))
        for backward in (False, True):
            yield Surface(triangles=triangles, frame=frame, backward=backward)


def test_columns_are_the_same_to_the_bit(both: Ways) -> None:
    for surface in surfaces():
        x, y, _ = surface.corners_mm.reshape(3, -1)
        grid = grid_over(x[:600], y[:600], 0.5)  # some triangles reach beyond it
        plain, fast = both(partial(columns_of, surface, grid))
        for name in ("cell", "z_mm", "up", "triangle"):
            assert np.array_equal(getattr(plain, name), getattr(fast, name)), name


def test_columns_of_a_part_need_no_second_cut(both: Ways) -> None:
    for surface in surfaces():
        x, y, _ = surface.corners_mm.reshape(3, -1)
        grid = grid_over(x, y, 0.5)
        chosen = np.arange(len(surface.triangles)) % 3 == 0
        for columns, own in zip(
            both(partial(columns_of, surface, grid)),
            both(partial(columns_of, surface.chosen(chosen), grid)),
            strict=True,
        ):
            part = columns.of(chosen)
            assert np.array_equal(part.cell, own.cell)
            assert np.array_equal(part.z_mm, own.z_mm)
            assert np.array_equal(part.up, own.up)


def test_peaks_are_the_same_where_they_are_wanted(both: Ways) -> None:
    for surface in surfaces():
        x, y, _ = surface.corners_mm.reshape(3, -1)
        grid = grid_over(x, y, 0.5)
        near = np.random.default_rng(2).random(grid.shape) < 0.2
        low = np.full(grid.shape, -np.inf)
        plain, fast = both(partial(peaks_of_surface, surface, grid, near, low))
        assert np.array_equal(plain[near], fast[near])


def test_samples_are_the_same_to_the_bit(both: Ways) -> None:
    triangles = read_scan(SAMPLES / NAMES[0]).triangles
    plain, fast = both(lambda: spread_samples(triangles.transpose(2, 1, 0)))
    assert np.array_equal(plain.points_mm, fast.points_mm)
    assert np.array_equal(plain.vector_area, fast.vector_area)
    assert plain.solid_ml == fast.solid_ml


def test_floods_rise_as_in_scikit_image(both: Ways) -> None:
    for rng, heights in hills(60):
        seed = rng.random(heights.shape) < 0.02
        for floor in (heights, np.round(heights * 9.0)):
            plain, fast = both(partial(flood_levels, floor, seed))
            assert np.array_equal(plain, fast)
            start = np.where(seed, floor, floor.max())
            assert np.array_equal(plain, reconstruction(start, floor, method="erosion"))


def test_floods_meet_as_in_scikit_image(both: Ways) -> None:
    for rng, heights in hills(60):
        markers = np.where(rng.random(heights.shape) < 0.05, rng.integers(1, 3, heights.shape), 0)
        mask = rng.random(heights.shape) < 0.95
        for floor in (heights, np.round(heights * 9.0)):  # among equals theirs begins elsewhere
            plain, fast = both(partial(divided, floor, markers, mask))
            assert np.array_equal(plain, fast)
        theirs = watershed(heights, markers, mask=mask)
        assert np.array_equal(divided(heights, markers, mask), theirs)


def test_reliefs_are_the_same_to_the_bit(both: Ways) -> None:
    for rng, heights in hills(40):
        size = heights.shape
        y, x = (v.ravel().astype(float) for v in np.indices(size))
        kept = rng.random(x.size) < 0.7  # what is left out makes holes
        if not kept.any():
            continue
        points = np.stack([x[kept], y[kept], heights.ravel()[kept]])
        grid = grid_over(points[0], points[1], 0.9)
        plain, fast = both(partial(height_map_of_points, points, grid))
        for name in ("top_mm", "outside", "hole"):
            assert np.array_equal(getattr(plain, name), getattr(fast, name)), name


def test_the_same_stretches_meet(both: Ways) -> None:
    for surface in surfaces():
        x, y, _ = surface.corners_mm.reshape(3, -1)
        grid = grid_over(x, y, 0.7)
        columns = columns_of(surface, grid)
        top = columns.z_mm + np.random.default_rng(1).random(len(columns.cell))
        plain, fast = both(partial(neighbours, grid, columns.cell, columns.z_mm, top))
        assert set(zip(*plain, strict=True)) == set(zip(*fast, strict=True))


def test_the_outline_is_that_of_scikit_image() -> None:
    for _, heights in hills(100):
        inside = heights > 0.0
        if inside.any():
            assert np.array_equal(convex_outline(inside), convex_hull_image(inside))


def test_the_least_median_is_the_first_of_all() -> None:
    for seed in range(60):
        rng = np.random.default_rng(seed)
        misses = np.abs(rng.normal(size=(90, rng.integers(12, 60))))
        for some in (misses, np.round(3.0 * misses)):
            assert _least_median(some) == np.argmin(np.median(some, axis=1))


@pytest.mark.parametrize("name", [*NAMES[:2], *slow(*NAMES[2:])])
def test_whole_measurements_are_the_same(name: str, both: Ways) -> None:
    (plain, one), (fast, other) = both(lambda: examine(SAMPLES / name, Settings()))
    assert plain.volume_ml == fast.volume_ml
    assert plain.base_line == fast.base_line
    assert plain.curve == fast.curve
    assert plain.notes == fast.notes
    assert np.array_equal(one.skin.corners_mm, other.skin.corners_mm)
    assert np.array_equal(
        height_map_of_columns(one.skin.columns).top_mm,
        height_map_of_columns(other.skin.columns).top_mm,
    )
