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
    """A recipe."""

    name: str  # the file's name without its ending
    seed: int  # start of the random numbers
    row: Row  # the teeth
    ridge: Ridge  # the bone under them
    rim: Rim = PLAIN_RIM  # course of the rim
    shell: Shell | None = None  # the tray's outside for a closed mesh, None for an open scan
    pose: Pose = AS_MADE  # the file's frame
    holes: tuple[Hole, ...] = ()  # what the scanner missed
    level_mm: float = -1.2  # height z of the truth's plane; the rim's plane is 0
    pitch_mm: float = 0.42  # spacing of the triangles
    fine: Fine | None = None  # where triangles are smaller
    noise_mm: float = 0.012  # standard deviation of the scanner's noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """A finished case."""

    mesh: Mesh  # the scan in the file's frame
    plane: Array  # point and upward normal of the truth's plane in the file's frame, (6,)
    holes_mm2: float  # area of the holes


def solid(case: Case) -> Impression:
    """Build the implicit impression of a case."""
    rng = np.random.default_rng(case.seed)
    arch = UPPER_ARCH if case.row.jaw == "upper" else LOWER_ARCH
    teeth = stand(case.row, arch, rng)
    jaw = Jaw(arch=arch, ridge=case.ridge, teeth=teeth, rng=rng)
    return Impression(jaw=jaw, rim=case.rim, rng=rng, shell=case.shell)


def box_of(case: Case, impression: Impression) -> Array:
    """Give a box round all that can be scanned of a case.

    Gives (2, 3).
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
    """Integrate the cavity of a case."""
    impression = solid(replace(case, shell=None))
    return measure(impression, box_of(case, impression), case.level_mm, pitch_mm)


def bare(case: Case) -> Mesh:
    """Mesh a case without noise and holes."""
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
    """Make the scan of a case."""
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
