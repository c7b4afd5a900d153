"""What damage did to a scan, and what is still true of it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.corpus.blend import Array
from tests.corpus.specimen import Specimen, prisms_ml

Rng = np.random.Generator
MATTERS = 0.002  # share of the volume from which a loss of footprint has to be noted


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Damaged:
    """A damaged scan and what is true of it."""

    kind: str  # what was done
    triangles: Array  # the scan, (m, 3, 3), in the file's frame
    plane: Array  # the stated plane in that frame, (6,)
    # the cavity up to that plane, and up to the rim as it was intended
    volume_ml: float
    rim_ml: float
    harmless: bool = True  # whether the cavity is what it was before
    # whether a note or a refusal is owed whatever the volume: up to the stated plane, and up to a
    # base line that has to be found
    owed: bool = False
    owed_found: bool = False


def corners_of(made: Specimen) -> Array:
    """Give a specimen's triangles.

    Gives (m, 3, 3).
    """
    return made.vertices[made.faces]


def unchanged(made: Specimen, triangles: Array, *, owed: bool = False) -> Damaged:
    """Give a scan whose cavity is what it was.

    `triangles` (k, 3, 3).
    """
    return Damaged(
        kind="",
        triangles=np.asarray(triangles, dtype=np.float64),
        plane=made.plane,
        volume_ml=made.facets_ml,
        rim_ml=made.rim_ml,
        harmless=not owed,
        owed=owed,
        owed_found=owed,
    )


def cut_off(made: Specimen, beyond: NDArray[np.bool_]) -> Damaged:
    """Take triangles away for good: what is left of the footprint is what can be poured.

    `beyond` (m,).
    """
    corners = corners_of(made)
    lost = corners[beyond & made.cavity]
    if made.drawn.turned:
        lost = lost[:, ::-1]
    gone_ml = prisms_ml(lost, made.plane)
    changed = abs(gone_ml) > MATTERS * made.facets_ml
    return replace(
        unchanged(made, corners[~beyond], owed=changed),
        volume_ml=made.facets_ml - gone_ml,
        rim_ml=made.rim_ml - prisms_ml(lost, made.rim),
    )
