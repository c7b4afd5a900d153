"""volest for other programs: `measure`, `size_folder` and `mix`; `volest` itself hands them on.

All three take the same options, by name; what is left out is as on the command line.
"""

import math
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from difflib import get_close_matches
from numbers import Real
from pathlib import Path, PurePath
from typing import Any, TypedDict, Unpack

import numpy as np

from volest.batch.find import at_hand, bring_decisions, find, follow, place_of
from volest.batch.workers import Limits
from volest.dosing import check_settings
from volest.errors import ScanError, UsageError, VolestError  # noqa: F401  # `volest` hands it on
from volest.journal import settings_in_force
from volest.lab import Lab
from volest.pipeline import examine
from volest.pipeline import measure as measure_scan
from volest.result import BaseLine, Result, refused
from volest.run import Request, run
from volest.scan.reading import Scan, scan_from
from volest.settings import NAMED, Base, Settings, parse_base, pattern_and_word
from volest.stone.lab_file import read_lab_and_habits
from volest.stone.mix import Mix, first_pour
from volest.view.solid import StoneSolid, stone_solid

MOST_SHOWN = 80  # letters of what was given, in the words of an error


class Options(TypedDict, total=False):
    """What may be said to all functions; every one may be left out.

    Those that are not listed here are fields of `Settings`.

    Parameters
    ----------
    base : str, float, BaseLine or Base
        Base line, in the words of the command line: ``rim``, ``rim=-1.5``, ``depth=18``; a number
        is mm over the rim; or the ``base_line`` of a result.
    stones_for : mapping of str to str
        Patterns of names of scans, and the stone that those take instead.
    second_pour_mm : float
        Height of a base under the first pour.
    heap_mm : float
        How far the first pour stands over the rim.
    lab : Lab or path
        The lab, or its file, whose habits hold too where nothing else is said. None is looked for.
    journal : path
        The journal from which waste is learned, unless waste or residue is given.
    """

    base: str | float | BaseLine | Base | None
    unit: str
    pitch_mm: float
    inside_out: bool
    stone: str
    stones_for: Mapping[str, str]
    wp_ml_per_100g: float
    waste_percent: float
    residue_ml: float
    by: str
    way: str
    stretch_ml_per_100g: float
    second_pour_mm: float
    heap_mm: float
    lab: Lab | str | os.PathLike[str]
    journal: str | os.PathLike[str]


def settings_for(**options: Unpack[Options]) -> Settings:
    """Turn options into the settings that every stage reads.

    Parameters
    ----------
    **options
        As `Options` lists them.

    Returns
    -------
    Settings
        Checked.

    Raises
    ------
    VolestError
        If they mean nothing.

    Examples
    --------
    >>> settings_for(base="rim=-1.5", stone="type-3").stone
    'type-3'
    """
    said: dict[str, Any] = {}
    for name, value in options.items():
        if name not in Options.__annotations__:
            near = get_close_matches(name, Options.__annotations__, n=1)
            raise UsageError(
                f"option {name!r}",
                needed="one of " + ", ".join(Options.__annotations__),
                remedy=f"write {near[0]}" if near else "leave it out",
            )
        if value is not None:
            said["journal_file" if name == "journal" else name] = _value(name, value)
    given = said.pop("lab", None)
    lab, habits = given or Lab(), dict[str, Any]()
    if given is not None and not isinstance(given, Lab):
        lab, habits = read_lab_and_habits(Path(given))
        said["lab_file"] = os.fspath(given)
    if "stones_for" in habits:
        habits["stones_for"] = _pairs(habits["stones_for"])
    settings = settings_in_force(lab, said, habits)
    check_settings(settings)
    return settings


def measure(path_or_mesh: object, *, name: str | None = None, **options: Unpack[Options]) -> Result:
    """Measure the cavity of one impression and size its mix.

    Parameters
    ----------
    path_or_mesh : path, address, bytes, file or mesh
        An STL or PLY file, its bytes, or a file that is open for reading bytes; or a mesh in the
        frame of the scan, in mm: a Trimesh, PolyData or UnstructuredGrid, a pair of corners (n, 3)
        and faces (m, 3), or the corners of each triangle, (n, 3, 3).
    name : str, optional
        What the result is called where there is no path; else the name of an open file, or 'mesh'.
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
    ('bowl', '10.9 mL', '40 g')
    """
    start, settings = time.perf_counter(), settings_for(**options)
    called = _called(path_or_mesh, name)
    try:
        with _near(path_or_mesh, called, settings) as scan:
            result = measure_scan(scan, settings)
    except ScanError as fault:
        result = refused(called, fault)
    return result.taking(time.perf_counter() - start).of_scan(called)


def cavity_mesh(
    path_or_mesh: object, *, cavity: int = 1, name: str | None = None, **options: Unpack[Options]
) -> StoneSolid:
    """Build the stone of one impression up to its base line as a closed solid.

    Parameters
    ----------
    path_or_mesh : path, address, bytes, file or mesh
        As `measure` takes it.
    cavity : int
        Which impression, where the scan has several; from 1.
    name : str, optional
        As `measure` takes it.
    **options
        As `Options` lists them; those of mixing are not looked at.

    Returns
    -------
    StoneSolid
        Watertight, each edge between two triangles, in the scan's own frame; its volume is that of
        the result. The skin runs through cells as wide as `pitch_mm`, and is shifted by less than
        0.1 mm to that end; parts smaller than 1 / 10,000 that hang on nothing are left off.

    Raises
    ------
    VolestError
        If the options mean nothing, or the scan is refused.

    Examples
    --------
    The bowl of `measure` again, as a body that another library takes:

    >>> import numpy as np
    >>> x, y = np.meshgrid(np.linspace(-34, 34, 137), np.linspace(-34, 34, 137))
    >>> points = np.stack([x, y, np.minimum(12 * (x**2 + y**2) / 24**2 - 12, 0)], -1).reshape(-1, 3)
    >>> corner = np.arange(137 * 136).reshape(136, 137)[:, :-1].reshape(-1, 1)
    >>> faces = np.vstack([corner + [0, 1, 138], corner + [0, 138, 137]])
    >>> solid = cavity_mesh((points, faces))
    >>> f"{solid.volume_ml:.1f} mL, {solid.polydata().volume / 1000:.1f} mL"
    '10.9 mL, 10.9 mL'
    """
    settings = settings_for(**options)
    number = int(_number("cavity", cavity))
    if number != cavity:
        raise _wrong("cavity", cavity, "a whole number", "write for example cavity=1")
    with _near(path_or_mesh, _called(path_or_mesh, name), settings) as scan:
        _, found = examine(scan, settings, number)
    return stone_solid(found)


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
    if not paths:
        raise _wrong("paths", (), "at least one folder or scan", "name one")
    if limits is not None and not isinstance(limits, Limits):
        raise _wrong("limits", limits, "a Limits", "write for example limits=Limits(workers=4)")
    if cluster is not None and not isinstance(cluster, str):
        raise _wrong("cluster", cluster, "an address", "write it in quotes")
    if on_result is not None and not callable(on_result):
        raise _wrong("on_result", on_result, "what can be called", "give a function")
    request = Request(
        settings=settings,
        found=follow(find([place_of(_path("paths", path)) for path in paths])),
        out=None if out is None else place_of(_path("out", out)),
        out_sheet=sheet and out is not None,
        limits=limits or Limits(),
        cluster=cluster,
    )
    report = run(request.drawn(), on_result)
    if report.failed is not None:
        raise report.failed
    if report.stopped:
        raise KeyboardInterrupt
    return list(report.results)


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

    >>> made = mix(60, by="scoop")
    >>> made.powder_g, made.water_ml, made.scoops
    (150.0, 30.0, 3)
    """
    return first_pour(_number("volume_ml", volume_ml), settings_for(**options))


@contextmanager
def _near(given: object, called: str, settings: Settings) -> Iterator[Path | Scan]:
    """Bring a scan here; a base line that was saved under its old name follows it."""
    if not isinstance(given, str | os.PathLike):
        yield scan_from(given, name=called, unit=settings.unit)
        return
    place = place_of(given)
    with suppress(OSError):  # a name that no file can have: reading it refuses it
        if isinstance(place, Path) and place.is_file():
            bring_decisions([place], [place])
    with at_hand(place) as near:
        yield near


def _called(given: object, name: object) -> str:
    """Say what a scan is called: by its path, if it has one."""
    if isinstance(given, str | os.PathLike):
        return str(place_of(given))
    if name is not None and not isinstance(name, str):
        raise _wrong("name", name, "a text", "write for example name='b0417'")
    of_file = getattr(given, "name", None)  # a number where the system opened it
    return name or (of_file if isinstance(of_file, str) else "mesh")


def _base(given: object) -> Base:
    if isinstance(given, Base):
        return given
    if isinstance(given, BaseLine):
        return Base(how="plane", plane=(*given.point_mm, *given.normal))
    if isinstance(given, str):
        return parse_base(given)
    return Base(offset_mm=_number("base", given))


def _pairs(given: object) -> tuple[tuple[str, str], ...]:
    pairs = given.items() if isinstance(given, Mapping) else given
    if isinstance(pairs, Iterable) and not isinstance(pairs, str):
        found = [pattern_and_word(one) if isinstance(one, str) else one for one in pairs]
        if all(isinstance(one, tuple | list) and len(one) == 2 for one in found):  # noqa: PLR2004
            words = [word for one in found for word in one]
            if all(isinstance(word, str) and word for word in words):
                return tuple((pattern, stone) for pattern, stone in found)
    raise _wrong(
        "stones_for",
        given,
        "patterns of names of scans, each with a stone",
        "write for example stones_for={'*-bite*': 'type-3'}",
    )


def _value(name: str, value: object) -> object:
    setting = NAMED[{"lab": "lab_file", "journal": "journal_file"}.get(name, name)]
    if isinstance(value, Lab) and name == "lab":
        return value
    if name in {"base", "stones_for"}:
        return _base(value) if name == "base" else _pairs(value)
    if setting.kind is PurePath:
        return _path(name, value)
    if setting.kind is bool:
        if not isinstance(value, bool | np.bool_):
            raise _wrong(name, value, "True or False", "write one")
        return bool(value)
    said = _number(name, value) if setting.kind is float else value
    if needed := setting.needs(said):
        raise _wrong(name, value, needed, "write one, or leave it out")
    return said


def _number(name: str, value: object) -> float:
    """Take a number of Python or numpy, a lone one in an array too."""
    lone = value.item() if isinstance(value, np.ndarray) and value.ndim == 0 else value
    if isinstance(lone, bool) or not isinstance(lone, Real) or not math.isfinite(lone):
        raise _wrong(name, value, "a number", f"write for example {name}=1.5")
    return float(lone)


def _path(name: str, value: object) -> str | os.PathLike[str]:
    if isinstance(value, str | os.PathLike):
        return value
    raise _wrong(name, value, "a path", "write it in quotes")


def _wrong(name: str, value: object, needed: str, remedy: str) -> UsageError:
    said = repr(value)
    return UsageError(
        f"{name} {said if len(said) < MOST_SHOWN else type(value)}", needed=needed, remedy=remedy
    )
