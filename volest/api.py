"""volest for other programs: `measure`, `size_folder` and `mix`; `volest` itself hands them on.

All three take the same options, by name; what is left out is as on the command line.
"""

import os
import time
from collections.abc import Callable, Mapping, Sequence
from difflib import get_close_matches
from numbers import Real
from pathlib import Path
from typing import Any, TypedDict, Unpack

import numpy as np

from volest.batch.find import at_hand, find, place_of
from volest.batch.workers import Limits
from volest.dosing import check_settings
from volest.errors import ScanError, UsageError, VolestError  # noqa: F401  # `volest` hands it on
from volest.journal import with_waste
from volest.lab import Lab
from volest.pipeline import measure as measure_scan
from volest.pipeline import size_scan
from volest.result import Result, refused
from volest.run import Request, run
from volest.scan.reading import scan_from_mesh
from volest.settings import SETTINGS, Base, Settings, parse_base, pattern_and_word
from volest.stone.lab_file import read_lab_and_habits
from volest.stone.mix import Mix
from volest.stone.pours import first_pour
from volest.view.picture import refuse_blind


class Options(TypedDict, total=False):
    """What may be said to all three functions; every one may be left out.

    Parameters
    ----------
    base : str or Base
        Base line, in the words of the command line: ``rim``, ``rim=-1.5``, ``depth=18``.
    unit : str
        Unit of the scans: 'mm', 'cm', 'm' or 'inch'.
    pitch_mm : float
        Width of a column.
    inside_out : bool
        Take scans whose faces point the wrong way as impressions.
    stone : str
        Stone type.
    stones_for : mapping of str to str
        Patterns of names of scans, and the stone that those take instead.
    wp_ml_per_100g : float
        Water to powder.
    waste_percent, residue_ml : float
        Waste: share of what is filled, and fixed part.
    by : str
        'gram' or 'scoop'.
    way : str
        'hand' or 'vacuum'.
    stretch_ml_per_100g : float
        Water on top of the ratio.
    second_pour_mm : float
        Height of a base under the first pour.
    heap_mm : float
        How far the first pour stands over the rim.
    lab : Lab or path
        The lab, or its file, whose habits hold too where nothing else is said. None is looked for.
    journal : path
        The journal from which waste is learned, unless waste or residue is given.
    """

    base: str | Base
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
    given = options.get("lab")
    lab, habits = _lab(given)
    words: dict[str, Any] = {**habits, **_checked(options)}
    base, journal = words.pop("base", None), words.pop("journal_file", None)
    journal = options.get("journal", journal)
    if base is not None:
        words["base"] = base if isinstance(base, Base) else parse_base(str(base))
    words["obey_saved"] = options.get("base") is None
    words["lab"] = lab.pouring(
        height_mm=options.get("second_pour_mm"), heap_mm=options.get("heap_mm")
    )
    words["lab_file"] = None if given is None or isinstance(given, Lab) else os.fspath(given)
    words["stones_for"] = _pairs(words.get("stones_for", ()))
    for name in ("second_pour_mm", "heap_mm", "journal", "materials", "kinds", "taken"):
        words.pop(name, None)
    settings = with_waste(
        Settings(**words),
        waste_percent=options.get("waste_percent"),
        residue_ml=options.get("residue_ml"),
        journal_file=None if journal is None else Path(journal),
    )
    check_settings(settings)
    return settings


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
    ('bowl', '10.9 mL', '40 g')
    """
    settings = settings_for(**options)
    if isinstance(path_or_mesh, str | os.PathLike):
        place = place_of(path_or_mesh)
        with at_hand(place) as near:
            return size_scan(near, settings).of_scan(str(place))
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
    has_sheet = sheet and out is not None
    request = Request(
        settings=settings,
        found=find([place_of(path) for path in paths]),
        out=None if out is None else place_of(out),
        out_sheet=has_sheet,
        pictures=has_sheet and _can_draw(),
        limits=limits or Limits(),
        cluster=cluster,
    )
    report = run(request, on_result)
    if report.failed is not None:
        raise report.failed
    if report.stopped:
        raise KeyboardInterrupt
    assert report.results is not None  # noqa: S101  # as many as there are
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
    return first_pour(volume_ml, settings_for(**options))


def _can_draw() -> bool:
    try:
        refuse_blind(off_screen=True)
    except UsageError:
        return False
    return True


def _lab(given: Lab | str | os.PathLike[str] | None) -> tuple[Lab, dict[str, Any]]:
    if given is None or isinstance(given, Lab):
        return given or Lab(), {}
    return read_lab_and_habits(Path(given))


def _pairs(given: Mapping[str, str] | Sequence[str]) -> tuple[tuple[str, str], ...]:
    pairs = given.items() if isinstance(given, Mapping) else map(pattern_and_word, given)
    found = tuple((str(pattern), str(stone)) for pattern, stone in pairs)
    if not all(map(all, found)):
        raise UsageError(
            f"stones_for {given!r}",
            needed="patterns of names of scans, each with a stone",
            remedy="write for example stones_for={'*-bite*': 'type-3'}",
        )
    return found


def _checked(options: Mapping[str, object]) -> dict[str, Any]:
    """Refuse what is no option, and what should be a number, by their names."""
    numbers = {setting.name for setting in SETTINGS if setting.kind is float}
    words: dict[str, Any] = {}
    for name, value in options.items():
        if name not in Options.__annotations__:
            near = get_close_matches(name, Options.__annotations__, n=1)
            raise UsageError(
                f"option {name!r}",
                needed="one of " + ", ".join(Options.__annotations__),
                remedy=f"write {near[0]}" if near else "leave it out",
            )
        if name == "inside_out" and not isinstance(value, bool | np.bool_):
            raise UsageError(f"{name} {value!r}", needed="True or False", remedy="write one")
        if name in numbers and (isinstance(value, bool) or not isinstance(value, Real)):
            raise UsageError(
                f"{name} {value!r}", needed="a number", remedy=f"write for example {name}=1.5"
            )
        words[name] = float(value) if isinstance(value, Real) and name in numbers else value
    return words
