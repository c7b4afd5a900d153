"""How the rim stands against the base line: what to cut, and where stone would run out."""

from dataclasses import dataclass

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.rim import Rim

LEVEL_MM = 0.5  # a rim this near the base line needs neither blade nor boxing


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """Heights of the rim's crest over the base line, negative below it.

    Parameters
    ----------
    rim_highest_mm, rim_mean_mm, rim_lowest_mm : float
        Its height: most, mean and least.
    excess_length_mm : float
        Length of rim that stands more than half a millimetre over the base line.
    gap_length_mm : float
        Length of rim that lies more than half a millimetre under it and needs boxing.
    """

    rim_highest_mm: float
    rim_mean_mm: float
    rim_lowest_mm: float
    excess_length_mm: float
    gap_length_mm: float


def find_trim(rim: Rim, base: BasePlane, pitch_mm: float) -> Trim:
    """Compare the rim with the base line.

    Parameters
    ----------
    rim : Rim
        The rim.
    base : BasePlane
        The base line.
    pitch_mm : float
        Length of rim that one crest point stands for.

    Returns
    -------
    Trim
        Heights and lengths.
    """
    over = base.heights_mm(*rim.crest_mm.T) * base.upright
    return Trim(
        rim_highest_mm=float(over.max()),
        rim_mean_mm=float(over.mean()),
        rim_lowest_mm=float(over.min()),
        excess_length_mm=float(np.count_nonzero(over > LEVEL_MM)) * pitch_mm,
        gap_length_mm=float(np.count_nonzero(over < -LEVEL_MM)) * pitch_mm,
    )
