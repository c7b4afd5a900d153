"""What may be said to volest by name, and the settings that it stands for."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TypedDict, Unpack

from volest.batch.run import check_settings
from volest.journal import with_waste
from volest.lab import Lab
from volest.settings import Base, Settings, parse_base
from volest.stone.lab_file import read_lab


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
        Waste: share of the cavity, and fixed part.
    by : str
        'gram' or 'scoop'.
    way : str
        'hand' or 'vacuum'.
    stretch_ml_per_100g : float
        Water on top of the ratio.
    second_pour_mm : float
        Height of a base under the first pour.
    lab : Lab or path
        The lab, or its file.
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
    words = dict(options)
    base, journal = options.get("base"), options.get("journal")
    words["lab"] = _lab(options.get("lab")).with_height(options.get("second_pour_mm"))
    words["stones_for"] = tuple(options.get("stones_for", {}).items())
    words["obey_saved"] = base is None
    if isinstance(base, str):
        words["base"] = parse_base(base)
    for name in ("second_pour_mm", "journal"):
        words.pop(name, None)
    settings = with_waste(
        Settings(**words),  # type: ignore[arg-type]  # the keys are those of Options
        waste_percent=options.get("waste_percent"),
        residue_ml=options.get("residue_ml"),
        journal_file=None if journal is None else Path(journal),
    )
    check_settings(settings)
    return settings


def _lab(given: Lab | str | os.PathLike[str] | None) -> Lab:
    if given is None:
        return Lab()
    return given if isinstance(given, Lab) else read_lab(Path(given))
