"""Which side of the surface is air: winding mended where it is mixed, turned where it is turned."""

from dataclasses import dataclass

import numpy as np

from volest.cavity.columns import Columns, Grid, Ints, cut_columns, grid_over
from volest.cavity.footprint import pools
from volest.cavity.frame import Floats, Frame
from volest.cavity.pose import Samples
from volest.cavity.relief import relief_of_columns
from volest.errors import ScanError
from volest.notes import Note
from volest.scan.winding import mend_winding

MISFIT_SHARE = 1e-4  # of crossings; sound scans have none, a hundredth of turned faces some 2 %
STILL_MISFIT_SHARE = 0.02  # what mending left: more than this and the surface is not one
CROSSING_SHARE = 2e-3  # more than the grazing folds of one noisy surface: bodies that cross
MAJORITY = 0.5
MOST_BODIES = 8  # the largest: dust is never the impression
FREE_MM = 3.0  # round the samples: more than their spacing on the largest scan
RISING_SHARE = 0.5  # of the scan's edge: a scan that has passed its rim rises almost nowhere


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Skin:
    """The triangles with air on their upper side, in the frame, and their columns.

    Parameters
    ----------
    corners_mm : ndarray
        (3, 3, n) in the frame: coordinate, corner, triangle.
    columns : Columns
        The crossings.
    turned : bool
        Whether all faces pointed away from the opening in the file.
    notes : tuple of Note
        What was mended.
    """

    corners_mm: Floats
    columns: Columns
    turned: bool
    notes: tuple[Note, ...]


def find_skin(corners_mm: Floats, samples: Samples, frame: Frame, pitch_mm: float) -> Skin:
    """Cut the columns, with the winding put right where they show that it is not.

    Parameters
    ----------
    corners_mm : ndarray
        (3, 3, n) in the scan's own frame: coordinate, corner, triangle.
    samples : Samples
        The surface; the grid covers these, whatever strays outside.
    frame : Frame
        The frame to work in.
    pitch_mm : float
        Width of a column.

    Returns
    -------
    Skin
        Triangles and columns.

    Raises
    ------
    ScanError
        'tangled' when the surface does not have two sides even after mending.
    """
    x, y, _ = frame.to_frame(samples.points_mm)
    x, y, _ = frame.to_frame(samples.points_mm)
    grid = grid_over(x, y, pitch_mm, free_mm=FREE_MM)
    corners = frame.to_frame(corners_mm)
    columns = cut_columns(corners, grid)
    notes: list[Note] = []
    if columns.misfit_share > MISFIT_SHARE:
        corners, columns, notes = _mended(corners_mm, frame, grid)
    turned = columns.seen_up_share < MAJORITY
    if turned:
        corners = corners[:, ::-1]
        columns = cut_columns(corners, grid)
    return Skin(corners_mm=corners, columns=columns, turned=turned, notes=tuple(notes))


def _mended(corners_mm: Floats, frame: Frame, grid: Grid) -> tuple[Floats, Columns, list[Note]]:
    """Put the winding right, and where bodies cross keep the one that holds most."""
    mended = mend_winding(corners_mm.transpose(2, 1, 0))
    corners = frame.to_frame(by_coordinate(mended.triangles))
    columns = cut_columns(corners, grid)
    notes = []
    if mended.turned or mended.removed_duplicates:
        notes.append(_note_mended(mended.turned, mended.removed_duplicates))
    if columns.misfit_share > CROSSING_SHARE and mended.body.any():
        corners, columns, dropped = _main_body(corners, mended.body, grid)
        notes += [_note_parts(dropped)] if dropped else []
    if columns.misfit_share > STILL_MISFIT_SHARE:
        raise _tangled(columns)
    return corners, columns, notes


def _main_body(corners: Floats, body: Ints, grid: Grid) -> tuple[Floats, Columns, float]:
    """Keep the body that holds most and what does not cross it.

    Returns the triangles kept, their columns, and the share of faces left out.
    """
    large = np.argsort(-np.bincount(body))[:MOST_BODIES]
    alone = [cut_columns(corners[:, :, body == number], grid) for number in large]
    best = int(np.argmax([_held(columns) for columns in alone]))
    kept, columns = body == large[best], alone[best]
    for number, own in zip(large, alone, strict=True):
        more = kept | (body == number)
        together = cut_columns(corners[:, :, more], grid)
        # What crosses adds misfits that neither has by itself.
        added = together.misfits - columns.misfits - own.misfits
        if added <= CROSSING_SHARE * len(together.cell):
            kept, columns = more, together
    return corners[:, :, kept], columns, 1.0 - float(np.mean(kept))


def _held(columns: Columns) -> float:
    return float(pools(relief_of_columns(columns)).sum()) if columns.up.any() else 0.0


def by_coordinate(triangles: Floats) -> Floats:
    """Lay triangles out coordinate by coordinate, as all stages want them.

    Parameters
    ----------
    triangles : ndarray
        (n, 3, 3): triangle, corner, coordinate.

    Returns
    -------
    ndarray
        (3, 3, n): coordinate, corner, triangle.
    """
    return np.ascontiguousarray(triangles.transpose(2, 1, 0))


def refuse_cast(*, is_open: bool, turned: bool, rising_share: float) -> tuple[Note, ...]:
    """Refuse the skin of a cast; note a skin that is merely turned.

    The skin of a cast seen from inside is a bowl like an impression, but it ends while its walls
    still rise; the scan of an impression passes its rim.

    Parameters
    ----------
    is_open : bool
        Whether the scan is a sheet.
    turned : bool
        Whether its faces point away from the opening.
    rising_share : float
        Part of its edge that still rises.

    Returns
    -------
    tuple of Note
        A note when the faces were turned.

    Raises
    ------
    ScanError
        'cast' when the scan looks like the skin of a cast.
    """
    if not turned:
        return ()
    if is_open and rising_share > RISING_SHARE:
        raise ScanError(
            "a surface whose faces point away from the opening and that has no rim: it looks "
            "like the scan of a cast",
            needed="the scan of an impression, teeth as pits, rim included",
            remedy="scan the impression; if this is one, exported inside out, use --inside-out",
            code="cast",
        )
    return (
        Note(
            code="faces-turned",
            text="all faces point away from the opening; they were turned",
            do="check that this is an impression and not a cast"
            if is_open
            else "nothing, if the picture looks right; the export writes faces inside out",
        ),
    )


def _note_mended(turned: int, doubled: int) -> Note:
    return Note(
        code="winding-mended",
        text=f"{turned} faces pointed the wrong way and {doubled} were doubled; put right",
        do="check the export; the volume is measured from the mended surface",
    )


def _note_parts(dropped: float) -> Note:
    return Note(
        code="parts-left-out",
        text="the scan has parts that cross; the one that holds most was kept, with what does not "
        "cross it; "
        f"{100 * dropped:.0f} % of the faces were left out",
        do="look whether all of the impression was kept; clean the scan of bench and holder",
    )


def _tangled(columns: Columns) -> ScanError:
    return ScanError(
        f"a surface that crosses itself in {100 * columns.misfit_share:.0f} % of its columns",
        needed="one surface with two sides",
        remedy="scan again, or clean the mesh (self-intersections, stray parts) and export again",
        code="tangled",
    )
