"""The three calls: `measure` one impression, `size_folder` many, `mix` for a known volume."""

import os
import time
from collections.abc import Callable
from typing import Unpack

from volest.api.options import Options, settings_for
from volest.batch.beside import noted, words_of_unread
from volest.batch.engine import engine_for
from volest.batch.limits import Limits, check_limits
from volest.batch.many import run_many
from volest.batch.places import at_hand, find_places, place_of
from volest.batch.twins import same_scans
from volest.errors import ScanError, UsageError
from volest.pipeline import measure as measure_scan
from volest.pipeline import refused, size_scan
from volest.result import Result
from volest.scan.mesh import scan_from_mesh
from volest.stone.mix import Mix
from volest.stone.pours import first_pour
from volest.view.page import day_folder
from volest.view.picture import refuse_blind


def measure(path_or_mesh: object, *, name: str = "mesh", **options: Unpack[Options]) -> Result:
    """Measure the cavity of one impression and size its mix.

    Parameters
    ----------
    path_or_mesh : path, address or mesh
        An STL or PLY file; or a mesh of trimesh or pyvista, or an array of corners of shape
        (n, 3, 3) in mm, in the frame of the scan.
    name : str
        What the result of a mesh is called.
    **options
        As `Options` lists them.

    Returns
    -------
    Result
        What was found, or why it is refused; volumes in mL, masses in g. Where a scan has several
        impressions, this is the first, says so in a note, and the further ones are its ``others``.

    Raises
    ------
    VolestError
        If the options mean nothing; a scan that is refused raises nothing.

    Examples
    --------
    A round bowl, 24 mm to its rim and 12 mm deep, with a parabola as its section, holds
    pi / 2 * 24**2 * 12 mm3, that is 10.86 mL:

    >>> import numpy as np
    >>> x, y = np.meshgrid(np.linspace(-34, 34, 137), np.linspace(-34, 34, 137))
    >>> corners = np.stack([x, y, np.minimum(12 * (x**2 + y**2) / 24**2 - 12, 0)], axis=-1)
    >>> a, b, c, d = corners[:-1, :-1], corners[:-1, 1:], corners[1:, 1:], corners[1:, :-1]
    >>> triangles = np.concatenate([np.stack([a, b, c], -2), np.stack([a, c, d], -2)])
    >>> bowl = measure(triangles.reshape(-1, 3, 3), name="bowl")
    >>> bowl.scan, f"{bowl.volume_ml:.1f} mL", f"{bowl.mix.powder_g:g} g"
    ('bowl', '10.9 mL', '23 g')
    """
    settings = settings_for(**options)
    if isinstance(path_or_mesh, str | os.PathLike):
        place = place_of(path_or_mesh)
        with at_hand(place) as near:
            return size_scan(near, settings.for_scan(place.name)).of_scan(str(place))
    start = time.perf_counter()
    try:
        result = measure_scan(scan_from_mesh(path_or_mesh, name=name, unit=settings.unit), settings)
    except ScanError as fault:
        result = refused(name, fault)
    return result.taking(time.perf_counter() - start)


def size_folder(
    *paths: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    sheet: bool = False,
    limits: Limits | None = None,
    cluster: str | None = None,
    on_result: Callable[[Result], None] | None = None,
    **options: Unpack[Options],
) -> list[Result]:
    """Size all scans of folders, side by side.

    A program that calls this must be importable without running (``if __name__ == "__main__"``),
    as for every use of processes in Python.

    Parameters
    ----------
    *paths : path or address
        Folders and scans.
    out : path or address, optional
        A folder for results.json and results.csv; finished scans are kept there at once, and a
        second call sizes only what is new or changed.
    sheet : bool
        Whether the pour sheet is written there too.
    limits : Limits, optional
        Workers, memory and time.
    cluster : str, optional
        Address of a Dask scheduler whose workers do it.
    on_result : callable, optional
        Called with each scan's result as soon as it is there, in whatever order they end; further
        impressions of the scan are its ``others``.
    **options
        As `Options` lists them.

    Returns
    -------
    list of Result
        One an impression, in natural order of the paths; the same whatever the number of workers.

    Raises
    ------
    VolestError
        If options mean nothing, there is no scan, or the folder cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     scan = Path(folder) / "b0417.stl"
    ...     size = scan.write_bytes(b"")
    ...     [result.outcome for result in size_folder(folder)]
    ['refused']
    """
    settings = settings_for(**options)
    limits = limits or Limits()
    check_limits(limits)
    named = [place_of(path) for path in paths]
    places = find_places(named)
    if out is None:
        results = run_many(places, settings, limits=limits, cluster=cluster, on_result=on_result)
        return list(noted(results, same_scans(places)))
    pictures = sheet and _can_draw()
    with day_folder(place_of(out), settings, sheet=sheet, pictures=pictures) as day:
        with engine_for(len(places), limits, cluster=cluster) as engine:
            day.size(places, engine, on_result=on_result)
        day.out.twins = same_scans(places)
        day.write(places, told=words_of_unread(named))
        return list(day.out.results(places))


def mix(volume_ml: float, **options: Unpack[Options]) -> Mix:
    """Say how much powder and water fill a volume that is known.

    Parameters
    ----------
    volume_ml : float
        Volume to fill, in mL.
    **options
        As `Options` lists them; those of measuring are not looked at.

    Returns
    -------
    Mix
        Powder in g, water in mL, scoops, waste.

    Raises
    ------
    VolestError
        If the options mean nothing or the mix cannot be made.

    Examples
    --------
    Three scoops, 150 g to 30 mL, are what a full arch is said to take:

    >>> made = mix(75, waste_percent=10, by="scoop")
    >>> made.powder_g, made.water_ml, made.scoops
    (150.0, 30.0, 3)
    """
    return first_pour(volume_ml, settings_for(**options))


def _can_draw() -> bool:
    try:
        refuse_blind(off_screen=True)
    except UsageError:
        return False
    return True
