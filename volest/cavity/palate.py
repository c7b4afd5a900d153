"""An upper cast poured as a horseshoe: the stone it saves, and the wall that holds stone off."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label
from scipy.spatial import cKDTree
from skimage.draw import polygon2mask
from skimage.measure import find_contours

from volest.cavity.base_line import BasePlane
from volest.cavity.cells import grown
from volest.cavity.imprints import Imprints, floors_mm
from volest.cavity.void import ReachableVoid

LEAST_MM2 = 100.0  # a smaller palate is not worth a wall; practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Palate:
    """The palate left out."""

    kept_mm: float  # how far inside of the row's middle stone is kept
    ml: float  # what is not poured: up to the base line, and over it
    area_mm2: float  # what is covered, seen along the pour axis
    # Length of the wall, its area, and where it is highest, up to the pour's top.
    edge_mm: float
    wall_mm2: float
    high_mm: float


def find_palate(
    rooms: ReachableVoid,
    base: BasePlane,
    imprints: Imprints | None,
    *,
    kept_mm: float,
    over_mm: float,
) -> Palate | None:
    """Measure what lies further than that inside of the row; None where no arch is found."""
    if imprints is None or not imprints.is_arch:
        return None
    curve, grid, floor = imprints.curve_mm, rooms.grid, floors_mm(rooms)
    covered = np.isfinite(floor)
    places = np.stack(grid.centres_mm(), axis=-1)
    away_mm = np.full(grid.shape, 0.0)
    away_mm[covered] = cKDTree(curve).query(places[covered])[0]
    names, _ = label(away_mm > kept_mm)
    within = polygon2mask(grid.shape, (curve - grid.low_mm)[:, ::-1] / grid.pitch_mm)
    shares = np.bincount(names[within], minlength=2)
    palate = names == np.argmax(shares[1:]) + 1  # behind the row it goes on
    area_mm2 = float(np.count_nonzero(palate)) * grid.pitch_mm**2
    if not shares[1:].any() or area_mm2 < LEAST_MM2:
        return None
    high_mm = np.where(covered, over_mm - floor * base.upright, 0.0)
    edge_mm, wall_mm2, highest_mm = 0.0, 0.0, 0.0
    for line in find_contours(away_mm, kept_mm, mask=covered):
        at = np.rint(0.5 * (line[1:] + line[:-1])).astype(np.int64)
        steps_mm = np.linalg.norm(np.diff(line, axis=0), axis=1) * grid.pitch_mm
        own = grown(palate, corners=True)[tuple(at.T)]
        edge_mm += float(steps_mm[own].sum())
        wall_mm2 += float((steps_mm * high_mm[tuple(at.T)])[own].sum())
        highest_mm = max(highest_mm, float(high_mm[tuple(at[own].T)].max(initial=0.0)))
    return Palate(
        kept_mm=kept_mm,
        ml=float((over_mm - floor[palate]).sum()) * grid.pitch_mm**2 / 1000.0,
        area_mm2=area_mm2,
        edge_mm=edge_mm,
        wall_mm2=wall_mm2,
        high_mm=highest_mm,
    )
