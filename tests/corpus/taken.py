"""Damage that takes surface away: lost faces, holes, ends and sides that were not scanned."""

from dataclasses import replace

import numpy as np

from tests.corpus.harm import Damaged, Rng, corners_of, cut_off, unchanged
from tests.corpus.shards import normals
from tests.corpus.specimen import Specimen, prisms_ml


def dropped(made: Specimen, rng: Rng) -> Damaged:
    """Lose 0.1 to 3 % of the faces, here and there."""
    corners = corners_of(made)
    return unchanged(made, corners[rng.random(len(corners)) > rng.uniform(0.001, 0.03)])


def floor_hole(made: Specimen, rng: Rng) -> Damaged:
    """Lose a round patch of 1 to 8 mm of the floor."""
    return _hole(made, rng, flange=False)


def flange_hole(made: Specimen, rng: Rng) -> Damaged:
    """Lose a round patch of 1 to 8 mm of a flange, its crest or its outer side."""
    return _hole(made, rng, flange=True)


def _hole(made: Specimen, rng: Rng, *, flange: bool) -> Damaged:
    corners = corners_of(made)
    middles = corners.mean(axis=1)
    depth = (made.plane[:3] - middles) @ made.up
    steep = np.abs(normals(made) @ made.up) < 0.5
    where = (steep & (depth > -2.0)) if flange else (~steep & made.cavity & (depth > 1.0))
    middle = middles[rng.choice(np.flatnonzero(where))]
    away = np.linalg.norm(middles - middle, axis=1)
    return unchanged(made, corners[away > 0.5 * rng.uniform(1.0, 8.0)])


def half_flange(made: Specimen, rng: Rng) -> Damaged:
    """Lose one side's flange, as from a scanner that looked from one side only."""
    middle = made.vertices.mean(axis=0)
    aside = np.cross(made.up, rng.normal(size=3))
    aside /= np.linalg.norm(aside)
    far = float(((made.vertices - middle) @ aside).max())
    point = made.plane[:3] + aside * ((middle - made.plane[:3]) @ aside + far)
    lean = np.radians(rng.uniform(15.0, 60.0))
    normal = np.cos(lean) * aside + np.sin(lean) * made.up
    point = point - normal * rng.uniform(0.5, 5.0)
    return cut_off(made, (corners_of(made).mean(axis=1) - point) @ normal > 0.0)


def missing_end(made: Specimen, rng: Rng) -> Damaged:
    """Lose the hindmost 3 to 10 % of the surface."""
    aside = np.asarray(made.drawn.case.pose.directions(np.array([[0.0, -1.0, 0.0]])))[0]
    reach = (corners_of(made).mean(axis=1)) @ aside
    return cut_off(made, reach > np.quantile(reach, rng.uniform(0.9, 0.97)))


def torn(made: Specimen, rng: Rng) -> Damaged:
    """Lose a strip that parts the scan in two, as where two views do not quite meet."""
    middles = corners_of(made).mean(axis=1)
    aside = np.cross(made.up, rng.normal(size=3))
    reach = middles @ (aside / np.linalg.norm(aside))
    at = np.quantile(reach, rng.uniform(0.2, 0.8))
    half_mm = rng.uniform(0.5, 1.2)
    return unchanged(made, corners_of(made)[np.abs(reach - at) > half_mm])


def rim_trimmed(made: Specimen, rng: Rng) -> Damaged:
    """Lose the whole rim: the scan ends 1 to 3 mm below it all round; its end is the rim then."""
    edge = made.rim.copy()
    edge[:3] -= rng.uniform(1.0, 3.0) * made.up
    corners = corners_of(made)
    beyond = (corners.mean(axis=1) - edge[:3]) @ made.up > 0.0
    kept = corners[made.cavity & ~beyond]
    held_ml = prisms_ml(kept[:, ::-1] if made.drawn.turned else kept, edge)
    result = cut_off(made, beyond)
    return replace(result, rim_ml=held_ml, harmless=False, owed_found=True)


def cast_skin(made: Specimen, rng: Rng) -> Damaged:
    """Give the skin of the cast instead: faces out of the stone, and nothing beyond the rim."""
    del rng  # nothing is left to chance
    corners = corners_of(made)
    height = (corners.mean(axis=1) - made.plane[:3]) @ made.up
    skin = corners[made.cavity & (height < 0.0)]
    return unchanged(made, skin if made.drawn.turned else skin[:, ::-1], owed=True)
