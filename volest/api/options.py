"""What may be said to volest by name, and the settings that it stands for."""

import os
from dataclasses import replace
from pathlib import Path
from typing import TypedDict, Unpack

from volest.batch.run import check_settings
from volest.journal.journal import Journal
from volest.lab import VACUUM, Lab
from volest.settings import Base, Settings, parse_base
from volest.stone.lab_file import read_lab
from volest.stone.learning import learn_all


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
    base = options.get("base")
    lab = _lab(options.get("lab")).with_height(options.get("second_pour_mm"))
    usual = lab.way.of(options.get("way", VACUUM))
    words.update(lab=lab, obey_saved=base is None)
    words.setdefault("waste_percent", usual.share_percent)
    words.setdefault("residue_ml", usual.residue_ml)
    if isinstance(base, str):
        words["base"] = parse_base(base)
    for name in ("second_pour_mm", "journal"):
        words.pop(name, None)
    settings = Settings(**words)  # type: ignore[arg-type]  # the keys are those of Options
    journal_file = options.get("journal")
    if journal_file is not None and not {"waste_percent", "residue_ml"} & set(options):
        with Journal(Path(journal_file), new=False) as journal:
            settings = replace(settings, learned=learn_all(journal.pours(), lab))
    check_settings(settings)
    return settings


def _lab(given: Lab | str | os.PathLike[str] | None) -> Lab:
    if given is None:
        return Lab()
    return given if isinstance(given, Lab) else read_lab(Path(given))
