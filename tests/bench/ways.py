"""Ways to measure what a closed tray holds up to a plane, each run in a process of its own.

Run by peers.py as: python tests/bench/ways.py WAY FILE PX,PY,PZ,NX,NY,NZ TURNS
Prints JSON: seconds of each turn after one to warm up, by the clock and of the processor, mL, and
the peak memory in MB.
"""

import json
import os
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
Array = np.ndarray[Any, Any]
PITCH_MM = 0.2
ENOUGH_S = 8.0  # of turns that count; slow ways get fewer
Job = Callable[[], float | None]


def main() -> None:
    """Run one way and print what came of it."""
    way, file, plane, turns = sys.argv[1:]
    os.environ.setdefault("VOLEST_COMPILED", "always")
    job = WAYS[way](Path(file), np.array([float(part) for part in plane.split(",")]))
    held = job()
    seconds: list[float] = []
    work_s: list[float] = []
    begun = time.perf_counter()
    while len(seconds) < int(turns) and (not seconds or time.perf_counter() < begun + ENOUGH_S):
        start, work = time.perf_counter(), time.process_time()
        held = job()
        seconds.append(time.perf_counter() - start)
        work_s.append(time.process_time() - work)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(json.dumps({"seconds": seconds, "work_s": work_s, "ml": held, "peak_mb": peak_mb}))


def whole(path: Path, plane: Array) -> Job:
    """Measure with volest: file to result, all stages."""
    from volest.pipeline import size_scan
    from volest.settings import Base, Settings

    settings = Settings(base=Base(how="plane", plane=tuple(plane.tolist())))
    return lambda: size_scan(path, settings).volume_ml


def by_rim(path: Path, plane: Array) -> Job:  # noqa: ARG001 - the plane is found
    """Measure with volest at its defaults: pose, rim and base line are found as well."""
    from volest.pipeline import size_scan
    from volest.settings import Settings

    def job() -> None:
        size_scan(path, Settings())

    return job


def core(path: Path, plane: Array) -> Job:
    """Measure with volest's columns and exact sum alone, from triangles in memory."""
    from volest.cavity.columns import Surface, columns_of
    from volest.cavity.volume import prism_volume_ml
    from volest.pipeline import examine
    from volest.scan.reading import read_scan
    from volest.settings import Base, Settings

    _, cavity = examine(path, Settings(base=Base(how="plane", plane=tuple(plane.tolist()))))
    skin = cavity.skin.surface

    def job() -> float:
        surface = Surface(triangles=triangles, frame=skin.frame, backward=skin.backward)
        columns_of(surface, cavity.relief.grid)
        return prism_volume_ml(surface, cavity.rooms, cavity.base)

    triangles = read_scan(path).triangles
    return job


def read_bytes(path: Path, plane: Array) -> Job:  # noqa: ARG001 - nothing is measured
    """Read the bytes of the file and no more."""

    def job() -> None:
        np.fromfile(path, np.uint8)

    return job


def load(path: Path, plane: Array) -> Job:  # noqa: ARG001 - nothing is measured
    """Load with trimesh as it is by default: equal corners merged."""
    import trimesh

    def job() -> None:
        trimesh.load(path)

    return job


def load_plain(path: Path, plane: Array) -> Job:  # noqa: ARG001 - nothing is measured
    """Load with trimesh without merging."""
    import trimesh

    def job() -> None:
        trimesh.load(path, process=False)

    return job


def manifold(path: Path, plane: Array) -> Job:
    """Take the tray out of a block with manifold3d, exactly."""
    import trimesh
    from manifold3d import Manifold, Mesh

    from tests.bench.solids import held_ml

    def job() -> float:
        mesh: Any = trimesh.load(path)
        points, faces = mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32)
        return held_ml(Manifold(Mesh(points, faces)), plane[:3], plane[3:])

    return job


def _upright(plane: Array) -> Array:
    import trimesh

    library: Any = trimesh
    turn = library.geometry.align_vectors(plane[3:], [0, 0, 1])
    shift = library.transformations.translation_matrix(-plane[:3])
    return np.asarray(turn @ shift)


def _inner(air: Array) -> Array:
    """Keep the largest part of the air that does not touch the edge of the map or block."""
    from scipy import ndimage

    names, _ = ndimage.label(air)
    sizes = np.bincount(names.ravel())
    sizes[0] = 0
    for axis in range(2):
        for end in (0, -1):
            sizes[np.unique(np.take(names, end, axis=axis))] = 0
    return np.asarray(names == int(np.argmax(sizes)))


def _rays(path: Path, plane: Array, cast: Callable[[Any, Array], tuple[Array, Array]]) -> float:
    """Look down from the plane: depth where the first thing met faces up, inside of the rim."""
    import trimesh

    mesh = trimesh.load(path)
    mesh.apply_transform(_upright(plane))
    (x_low, y_low, _), (x_high, y_high, _) = mesh.bounds
    x, y = (
        np.arange(low - 2 * PITCH_MM, high + 2 * PITCH_MM, PITCH_MM)
        for low, high in ((x_low, x_high), (y_low, y_high))
    )
    starts = np.stack([*np.meshgrid(x, y, indexing="ij"), np.zeros((len(x), len(y)))], axis=-1)
    depth, faces_up = cast(mesh, starts.reshape(-1, 3))
    shape = starts.shape[:2]
    inner = _inner((faces_up | ~np.isfinite(depth)).reshape(shape))
    return float(
        np.where(inner & np.isfinite(depth.reshape(shape)), depth.reshape(shape), 0).sum()
        * PITCH_MM**2
        / 1000.0
    )


def embree(path: Path, plane: Array) -> Job:
    """Cast rays of 0.2 mm with embree through trimesh."""
    from trimesh.ray.ray_pyembree import RayMeshIntersector

    def cast(mesh: Any, starts: Array) -> tuple[Array, Array]:
        down = np.tile([0.0, 0.0, -1.0], (len(starts), 1))
        places, ray, face = RayMeshIntersector(mesh).intersects_location(
            starts, down, multiple_hits=False
        )[0:3]
        depth, up = np.full(len(starts), np.inf), np.zeros(len(starts), dtype=bool)
        depth[ray], up[ray] = -places[:, 2], mesh.face_normals[face][:, 2] > 0.0
        return depth, up

    return lambda: _rays(path, plane, cast)


def other_rays(path: Path, plane: Array) -> Job:
    """Cast rays of 0.2 mm with point-cloud-utils."""
    import point_cloud_utils

    def cast(mesh: Any, starts: Array) -> tuple[Array, Array]:
        down = np.tile([0.0, 0.0, -1.0], (len(starts), 1))
        face, _, depth = point_cloud_utils.ray_mesh_intersection(
            np.asarray(mesh.vertices), np.asarray(mesh.faces), starts, down
        )
        up = np.zeros(len(starts), dtype=bool)
        up[face >= 0] = mesh.face_normals[face[face >= 0]][:, 2] > 0.0
        return np.where(face >= 0, depth, np.inf).astype(float), up

    return lambda: _rays(path, plane, cast)


def stencil(path: Path, plane: Array) -> Job:
    """Fill an image of 0.2 mm voxels with VTK's stencil, through pyvista."""
    import pyvista
    import vtk

    def job() -> float:
        mesh = pyvista.read(path).transform(_upright(plane), inplace=False)
        x_low, x_high, y_low, y_high, z_low, _ = mesh.bounds
        deep = int(np.ceil(-z_low / PITCH_MM)) + 2
        spans = [(x_low, x_high), (y_low, y_high)]
        size = [int(np.ceil((high - low) / PITCH_MM)) + 4 for low, high in spans]
        low = (x_low - 2 * PITCH_MM, y_low - 2 * PITCH_MM, -(deep - 0.5) * PITCH_MM)
        extent = (0, size[0] - 1, 0, size[1] - 1, 0, deep - 1)
        maker = vtk.vtkPolyDataToImageStencil()
        maker.SetInputData(mesh)
        maker.SetOutputOrigin(low)
        maker.SetOutputSpacing(PITCH_MM, PITCH_MM, PITCH_MM)
        maker.SetOutputWholeExtent(extent)
        paint = vtk.vtkImageStencilToImage()
        paint.SetInputConnection(maker.GetOutputPort())
        paint.SetInsideValue(1)
        paint.SetOutsideValue(0)
        paint.SetOutputScalarTypeToUnsignedChar()
        paint.Update()
        image = pyvista.wrap(paint.GetOutput())
        solid = image.point_data.active_scalars.reshape((*size, deep), order="F")
        return float(_inner(solid == 0).sum() * PITCH_MM**3 / 1000.0)

    return job


def voxels(path: Path, plane: Array) -> Job:
    """Fill voxels of 0.2 mm with trimesh."""
    import trimesh

    def job() -> float:
        mesh: Any = trimesh.load(path)
        mesh.apply_transform(_upright(plane))
        grid = mesh.voxelized(PITCH_MM).fill()
        under = round((0.0 - grid.transform[2, 3]) / PITCH_MM)
        solid = np.pad(grid.matrix[:, :, :under], ((1, 1), (1, 1), (0, 0)))
        return float(_inner(~solid).sum() * PITCH_MM**3 / 1000.0)

    return job


WAYS: dict[str, Callable[[Path, Array], Job]] = {
    "bytes": read_bytes,
    "load": load,
    "load plain": load_plain,
    "core": core,
    "given plane": whole,
    "default": by_rim,
    "manifold3d boolean": manifold,
    "embree rays": embree,
    "point-cloud-utils rays": other_rays,
    "VTK stencil": stencil,
    "trimesh voxels": voxels,
}


if __name__ == "__main__":
    main()
