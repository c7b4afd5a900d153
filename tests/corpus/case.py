"""One case: from a recipe to a mesh and the truth about it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.corpus.arch import Arch
from tests.corpus.blend import Array, Relief
from tests.corpus.dentition import Row, stand
from tests.corpus.impression import Impression, Rim, Shell
from tests.corpus.jaw import Jaw, Ridge
from tests.corpus.mesh import Mesh, cut, largest_piece, with_noise
from tests.corpus.scanning import Hole, Pose, punch, view_end
from tests.corpus.surface import Fine, extract
from tests.corpus.truth import Truth, measure

UPPER_ARCH = Arch(half_width_mm=26.0, depth_mm=38.0)
LOWER_ARCH = Arch(half_width_mm=23.6, depth_mm=35.0)
PLAIN_RIM = Rim()
AS_MADE = Pose()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """A recipe.

    Parameters
    ----------
    name : str
        The file's name without its ending.
    seed : int
        Start of the random numbers.
    row : Row
        The teeth.
    ridge : Ridge
        The bone under them.
    rim : Rim
        Course of the rim.
    shell : Shell or None
        The tray's outside for a closed mesh, None for an open scan.
    pose : Pose
        The file's frame.
    holes : tuple of Hole
        What the scanner missed.
    level_mm : float
        Height z of the truth's plane; the rim's plane is 0.
    pitch_mm : float
        Spacing of the triangles.
    fine : Fine or None
        Where triangles are smaller.
    noise_mm : float
        Standard deviation of the scanner's noise.
    """

    name: str
    seed: int
    row: Row
    ridge: Ridge
    rim: Rim = PLAIN_RIM
    shell: Shell | None = None
    pose: Pose = AS_MADE
    holes: tuple[Hole, ...] = ()
    level_mm: float = -1.2
    pitch_mm: float = 0.42
    fine: Fine | None = None
    noise_mm: float = 0.012


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """A finished case.

    Parameters
    ----------
    mesh : Mesh
        The scan in the file's frame.
    plane : numpy.ndarray
        Point and upward normal of the truth's plane in the file's frame, (6,).
    holes_mm2 : float
        Area of the holes.
    """

    mesh: Mesh
    plane: Array
    holes_mm2: float


def solid(case: Case) -> Impression:
    """Build the implicit impression of a case.

    Parameters
    ----------
    case : Case
        The recipe.

    Returns
    -------
    Impression
        Its field.
    """
    rng = np.random.default_rng(case.seed)
    arch = UPPER_ARCH if case.row.jaw == "upper" else LOWER_ARCH
    teeth = stand(case.row, arch, rng)
    jaw = Jaw(arch=arch, ridge=case.ridge, teeth=teeth, rng=rng)
    return Impression(jaw=jaw, rim=case.rim, rng=rng, shell=case.shell)


def box_of(case: Case, impression: Impression) -> Array:
    """Give a box round all that can be scanned of a case.

    Parameters
    ----------
    case : Case
        The recipe.
    impression : Impression
        Its implicit solid.

    Returns
    -------
    numpy.ndarray
        Lowest and highest corner, (2, 3), in mm.
    """
    axis = np.arange(-75.0, 75.0, 1.5)
    east, north = (part.ravel() for part in np.meshgrid(axis, axis, indexing="ij"))
    near = impression.crest(impression.arch.places(east, north)).ravel() < 6.5
    if case.rim.open_back_mm is not None:
        near &= north > case.rim.open_back_mm - 8.0
    low = np.array([east[near].min(), north[near].min(), -case.row.tips_mm - 3.0])
    high = np.array([east[near].max(), north[near].max(), 1.5 + case.rim.wave_mm])
    if case.shell is not None:
        low[2] = -case.shell.floor_mm - 1.5
        high[1] += 24.0 * case.shell.handle
    return np.array([low, high])


def truth(case: Case, pitch_mm: float = 0.2) -> Truth:
    """Integrate the cavity of a case.

    Parameters
    ----------
    case : Case
        The recipe.
    pitch_mm : float
        Spacing of the columns.

    Returns
    -------
    Truth
        As `tests.corpus.truth.measure` gives it, of the solid without its tray's outside.
    """
    impression = solid(replace(case, shell=None))
    return measure(impression, box_of(case, impression), case.level_mm, pitch_mm)


def bare(case: Case) -> Mesh:
    """Mesh a case without noise and holes.

    Parameters
    ----------
    case : Case
        The recipe.

    Returns
    -------
    Mesh
        In the maker's frame.
    """
    impression = solid(case)
    box = box_of(case, impression)
    if case.shell is not None:
        return largest_piece(extract(impression, box, case.pitch_mm, fine=case.fine))
    wander = Relief(np.random.default_rng(case.seed + 1), 0.8, (8.0, 25.0))

    def keep(points: Array) -> NDArray[np.bool_]:
        near: NDArray[np.bool_] = view_end(impression, points, wander) < 1.0
        return near

    mesh = extract(impression, box, case.pitch_mm, keep, case.fine)
    beyond = view_end(impression, mesh.vertices, wander)
    return largest_piece(cut(mesh, beyond, 0.12 * case.pitch_mm))


def make(case: Case) -> Made:
    """Make the scan of a case.

    Parameters
    ----------
    case : Case
        The recipe.

    Returns
    -------
    Made
        The scan, and the plane of its truth in the same frame.
    """
    rng = np.random.default_rng(case.seed + 2)
    whole = bare(case)
    holed = punch(whole, case.holes, Relief(rng, 1.0, (1.5, 4.0)), case.pitch_mm)
    noisy = with_noise(holed, rng, case.noise_mm)
    middle = noisy.vertices[:, :2].mean(axis=0)
    point = case.pose.points(np.array([[middle[0], middle[1], case.level_mm]]))
    normal = case.pose.directions(np.array([[0.0, 0.0, 1.0]]))
    return Made(
        mesh=Mesh(vertices=case.pose.points(noisy.vertices), faces=noisy.faces),
        plane=np.concatenate([point[0], normal[0]]),
        holes_mm2=whole.area_mm2 - holed.area_mm2,
    )
