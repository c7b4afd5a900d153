"""Pictures of one scan, made without a display: from above and cut open, on paper with its legend.

Whether this computer can draw is asked in another process, since a missing library ends one.
"""

import functools
import io
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from volest.cavity.frame import Floats
from volest.errors import UsageError, visible
from volest.pipeline import Cavity
from volest.report.guide import mix_words
from volest.report.table import shortened, volume_words
from volest.result import Result
from volest.scan.decision import Place
from volest.storage import write_whole
from volest.system import HAS_X11, missing_libraries, try_apart
from volest.view.scene import (
    BASE_LINE,
    CUT_FACE,
    DEPTHS,
    EXCESS,
    FAINT,
    IMPRESSION,
    INK,
    LOOKS,
    PAPER,
    PROFILE,
    STONE,
    Block,
    Mesh,
    Scene,
    best_cut_mm,
    cut_open,
    scene_of,
)

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

Pixels = npt.NDArray[np.uint8]
VIEW_PX = (1000, 900)
_MARGIN = 1.16  # room round what is drawn, for hours and captions
_TILT_DEG = 32.0  # of the look into the cut: over the rim, onto the cut face
_BASE_LINE_LIFT = np.array([0.0, 0.0, 0.2])  # mm more, so that from above it is not half sunk
# Where the eye is; in parallel projection it only must not be inside of anything.
_AWAY_MM = 300.0
_HEAD, _EDGE = 150, 40
# The paper is 2000 px wide. On a card it is printed about 130 mm wide: 40 px are then 7 points.
_BIG, _MIDDLE, _SMALL, _LEAST = 54, 44, 40, 20
_STEPS_PX, _ROW_PX, _GAP_PX = 112, 66, 44
_SCALE_MM = 10.0
_CUT = "cut open at the triangles, up to the base line"
_CUT_PX = 50  # from the view's edge: beside the hours
_LONGEST_NAME = 44
_DEPTHS_PX = 620
_SWATCH_PX = 76
_LEGEND_PX = 290
BAND_MM = 2.0  # between two contour lines
_LINE_WIDTH = 5.0
_LEVEL: dict[str, Any] = {"lighting": False}  # a level face has one plain colour
_LIGHTS: dict[str, dict[str, Any]] = {
    IMPRESSION: {"ambient": 0.24, "diffuse": 0.78, "specular": 0.12, "specular_power": 12.0},
    STONE: _LEVEL,
    CUT_FACE: _LEVEL,
}
_LINE_LIFT_MM = 0.1  # so that a line is not half sunk into its surface
# What the wheel of VTK opens when it draws, and the package of Debian 12 that holds it.
_OFF_SCREEN = (("libX11.so.6", "libx11-6"), ("libGL.so.1", "libgl1"), ("libEGL.so.1", "libegl1"))
_IN_WINDOW = _OFF_SCREEN[:2]
_PATIENCE_S = 120.0
_OFF_SCREEN_WINDOW = {"VTK_DEFAULT_OPENGL_WINDOW": "vtkEGLRenderWindow"}
# Only tried, so that no window flashes up; it needs the display all the same.
_TRIAL_WINDOW = {"VTK_DEFAULT_OPENGL_WINDOW": "vtkXOpenGLRenderWindow"}


def picture_of(
    result: Result, cavity: Cavity, marks: Sequence[Place] = (), *, headed: bool = True
) -> "Image":
    """Draw one scan from above with heights, and cut open; `headed` by its name and figures.

    Prepared teeth are drawn at their `marks`, in the scan's own frame.
    """
    scene = scene_of(cavity, marks=marks)
    cut_mm = best_cut_mm(cavity)
    plotter, impression = _plotter(), scene.blocks[IMPRESSION]
    put_heights(plotter, impression, lowest_mm=scene.lowest_mm)
    for name, block in scene.blocks.items():
        if name not in (IMPRESSION, STONE):
            lifted = replace(block, lines_mm=block.lines_mm + _BASE_LINE_LIFT)
            put_block(plotter, lifted, line_width=4.0)
    above, mm_per_px = _shot(plotter, impression.mesh.points_mm, tilt_deg=90.0)
    plotter, blocks = _plotter(), cut_open(scene, cut_mm)
    for block in blocks.values():
        put_block(plotter, block)
    drawn = [block.mesh for block in blocks.values() if len(block.mesh.triangles)]
    points = np.concatenate([mesh.points_mm[np.unique(mesh.triangles)] for mesh in drawn])
    cut, _ = _shot(plotter, points, tilt_deg=_TILT_DEG)
    return lay_out(result, scene, above, cut, mm_per_px, cut_mm=cut_mm, headed=headed)


def save_picture(picture: "Image", target: Path) -> None:
    """Save a picture, whole or not at all; the target's ending says the kind."""
    from PIL import Image

    stream = io.BytesIO()
    picture.save(stream, Image.registered_extensions()[target.suffix.lower()])
    write_whole(target, stream.getvalue())


def _plotter() -> Any:
    draw_off_screen()
    import pyvista as pv

    plotter: Any = pv.Plotter(off_screen=True, window_size=list(VIEW_PX), lighting="none")
    plotter.set_background(PAPER)
    for place, strength in (((-0.6, 0.5, 1.0), 0.85), ((0.9, -0.6, 0.7), 0.35)):
        light = pv.Light(position=place, intensity=strength, light_type="camera light")
        plotter.add_light(light)
    return plotter


def _shot(plotter: Any, points_mm: Floats, *, tilt_deg: float) -> tuple[Pixels, float]:
    """Look at points (n, 3) all over from the back, tilted down; give pixels and a pixel's mm."""
    tilt = np.radians(tilt_deg)
    toward = np.array([0.0, np.cos(tilt), -np.sin(tilt)])
    upward = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    middle = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2.0
    high, wide = (points_mm - middle) @ upward, float(np.ptp(points_mm[:, 0]))
    middle = middle + upward * (high.min() + high.max()) / 2.0
    tall = _MARGIN * max(float(np.ptp(high)), wide * VIEW_PX[1] / VIEW_PX[0])
    plotter.camera_position = [tuple(middle - _AWAY_MM * toward), tuple(middle), tuple(upward)]
    plotter.enable_parallel_projection()
    plotter.camera.parallel_scale = tall / 2.0
    pixels = np.array(plotter.screenshot(None, return_img=True))
    plotter.close()
    return pixels, tall / VIEW_PX[1]


def lay_out(
    result: Result,
    scene: Scene,
    above: Pixels,
    cut: Pixels,
    mm_per_px: float,
    *,
    cut_mm: float,
    headed: bool = True,
) -> "Image":
    """Put both views (h, w, 3) on one paper; a pixel of that from above is `mm_per_px` wide.

    Triangles beside it point along the cut at `cut_mm`.
    """
    from PIL import Image, ImageDraw

    height, width = above.shape[:2]
    head = _HEAD if headed else 0
    legend = legend_of((*scene.blocks, CUT_FACE), 2 * width, _EDGE, _ROW_PX, _SMALL)
    foot = head + height + _STEPS_PX
    paper = Image.new("RGB", (2 * width, foot + legend.height), PAPER)
    paper.paste(legend, (0, foot))
    paper.paste(Image.fromarray(above), (0, head))
    paper.paste(Image.fromarray(cut), (width, head))
    pen = ImageDraw.Draw(paper)
    if headed:
        _headline(pen, result, 2 * width)
    pen.text((_EDGE, head + 8), "from above", FAINT, font_size=_SMALL)
    pen.text((width + _EDGE, head + 8), _CUT, FAINT, font_size=_SMALL)
    points = scene.blocks[IMPRESSION].mesh.points_mm[:, :2]
    off = (points.min(axis=0) + points.max(axis=0)) / 2.0 / mm_per_px * (-1.0, 1.0)
    x, y = width / 2 + off[0], head + height / 2 + off[1]
    for hour, at, anchor in (
        ("12", (x, head + 10), "ma"),
        ("3", (width - 14, y), "rm"),
        ("6", (x, head + height - 6), "ms"),
        ("9", (14, y), "lm"),
    ):
        pen.text(at, hour, FAINT, anchor=anchor, font_size=_MIDDLE)
    y = head + height / 2.0 + off[1] - cut_mm / mm_per_px
    for x, way in ((_CUT_PX, 1), (width - _CUT_PX, -1)):
        pen.polygon([(x, y - 14), (x, y + 14), (x + 24 * way, y)], fill=INK)
    # The scale, in the corner where the impression's own margin leaves the view free.
    right, y = width - _EDGE, head + height - 22
    left = right - _SCALE_MM / mm_per_px
    pen.line([(left, y), (right, y)], fill=INK, width=5)
    for x in (left, right):
        pen.line([(x, y - 9), (x, y + 9)], fill=INK, width=3)
    pen.text((left - 14, y), f"{_SCALE_MM:.0f} mm", INK, anchor="rm", font_size=_SMALL)
    _depth_steps(pen, scene, head + height)
    return paper


def _headline(pen: "ImageDraw", result: Result, width: int) -> None:
    name = shortened(visible(Path(result.name).name), _LONGEST_NAME)
    amounts = mix_words(result)
    pen.text((_EDGE, 20), name, INK, font_size=_BIG)
    held = volume_words(result.volume_ml, result.volume_low_ml, result.volume_high_ml, " mL")
    pen.text((width - _EDGE, 20), held, INK, anchor="ra", font_size=_BIG)
    codes = [visible(note.code) for note in result.notes]
    least = look_at_words(codes, 1) if codes else ""
    size, room = _MIDDLE, 0.0
    for size in range(_MIDDLE, _LEAST, -2):  # long names of stones, mixes in several bowls' loads
        room = width - 2 * _EDGE - _GAP_PX - pen.textlength(amounts, font_size=size)
        if pen.textlength(least, font_size=size) <= room:
            break
    pen.text((width - _EDGE, 88), amounts, INK, anchor="ra", font_size=size)
    words = (look_at_words(codes, told) for told in range(len(codes), 0, -1))
    fitting = (
        some for some in words if some == least or pen.textlength(some, font_size=size) <= room
    )
    pen.text((_EDGE, 88), next(fitting, ""), LOOKS[EXCESS].colour, font_size=size)


def look_at_words(codes: Sequence[str], told: int) -> str:
    """Name the first codes of the notes, and say how many more there are.

    >>> look_at_words(["ragged-rim", "air-trap", "open-heel"], 2)
    'look at: ragged-rim, air-trap and 1 more'
    """
    more = f" and {len(codes) - told} more" if told < len(codes) else ""
    return f"look at: {', '.join(codes[:told])}{more}"


def _depth_steps(pen: "ImageDraw", scene: Scene, top: int) -> None:
    from matplotlib.colors import to_hex

    low, colours = _depths(scene.lowest_mm)
    steps = colours.N
    wide, y = _DEPTHS_PX / steps, top + 12
    for k in range(steps):
        x = _EDGE + wide * k
        box = [(x, y), (x + wide, y + 34)]
        pen.rectangle(box, fill=to_hex(colours(k / (steps - 1))), outline=INK)
        if k % 2 == 0 and k < steps - 1:
            pen.text((x, y + 40), f"{-low - k * BAND_MM:.0f}", INK, anchor="ma", font_size=_SMALL)
    pen.text((_EDGE + wide * steps, y + 40), "0", INK, anchor="ma", font_size=_SMALL)
    words = (_EDGE + _DEPTHS_PX + 24, y + 17)
    pen.text(words, "mm under the base line", INK, anchor="lm", font_size=_SMALL)


def _depths(lowest_mm: float) -> tuple[float, Any]:
    """Give where the lowest band of depth begins, and a colour for each band."""
    from matplotlib.colors import LinearSegmentedColormap

    low = BAND_MM * float(np.floor(lowest_mm / BAND_MM))
    steps = max(round(-low / BAND_MM), 2)
    return low, LinearSegmentedColormap.from_list("depths", DEPTHS, N=steps)


def legend_of(
    names: Sequence[str], wide: int = _LEGEND_PX, edge: int = 8, row: int = 52, size: int = 22
) -> "Image":
    """Draw a legend, in as many rows as it needs; as it stands, one line a name, for a window."""
    from PIL import Image, ImageDraw

    x, y = float(edge), 0
    paper = Image.new("RGB", (wide, row * len(names)), PAPER)
    pen = ImageDraw.Draw(paper)
    for name in names:
        long = _SWATCH_PX + pen.textlength(LOOKS[name].says, font_size=size)
        if x > edge and x + long > wide - edge:
            x, y = float(edge), y + row
        _swatch(pen, x, y, name)
        pen.text((x + _SWATCH_PX, y + 22), LOOKS[name].says, INK, anchor="lm", font_size=size)
        x += long + _GAP_PX
    return paper.crop((0, 0, wide, y + row))


def _swatch(pen: "ImageDraw", x: float, y: float, name: str) -> None:
    look = LOOKS[name]
    wide, tall = 60, 44
    if name == BASE_LINE:
        pen.line([(x, y + tall / 2), (x + wide, y + tall / 2)], fill=look.colour, width=7)
    elif look.shape == "dots":
        for k in range(3):
            pen.ellipse([(x + 22 * k, y + 14), (x + 22 * k + 16, y + 30)], fill=look.colour)
    elif look.shape == "ball":
        pen.ellipse([(x + 8, y), (x + 52, y + tall)], fill=look.colour, outline=INK)
    elif look.shape == "ring":
        pen.ellipse([(x + 8, y), (x + 52, y + tall)], outline=look.colour, width=7)
        pen.rectangle([(x + 26, y + 18), (x + 34, y + 26)], fill=look.colour)
    elif look.shape == "pegs":
        for k in range(3):
            left = x + 21 * k
            pen.polygon([(left, y + 4), (left + 16, y + 4), (left + 8, y + 32)], fill=look.colour)
        pen.line([(x, y + 37), (x + wide, y + 37)], fill=look.colour, width=6)
    elif look.shape == "fence":
        pen.rectangle([(x, y + 18), (x + wide, y + tall)], fill=look.colour)
        for k in range(4):
            pen.rectangle([(x + 17 * k, y), (x + 17 * k + 8, y + tall)], fill=look.colour)
    else:
        pen.rectangle([(x, y), (x + wide, y + tall)], fill=look.colour, outline=INK)


def put_block(plotter: Any, block: Block, *, line_width: float = _LINE_WIDTH) -> None:
    """Put one block into a plotter, in its own colour; a block of that name is replaced."""
    import pyvista

    library: Any = pyvista  # its types know no short arrays
    look, is_line = LOOKS[block.name], block.name == BASE_LINE
    if len(block.lines_mm):
        lifted = block.lines_mm + np.array([0.0, 0.0, _LINE_LIFT_MM])
        plotter.add_mesh(
            library.line_segments_from_points(lifted.reshape(-1, 3).astype(np.float32)),
            color=look.colour if is_line else PROFILE,
            line_width=line_width if is_line else 0.6 * line_width,
            lighting=False,
            name=block.name if is_line else f"{block.name} profile",
            reset_camera=False,
        )
    if len(block.mesh.triangles):
        plotter.add_mesh(
            surface_of(block.mesh),
            color=look.colour,
            name=block.name,
            reset_camera=False,
            smooth_shading=False,
            **_LIGHTS.get(block.name, {"ambient": 0.45, "diffuse": 0.6}),
        )


def put_heights(plotter: Any, block: Block, lowest_mm: float) -> None:
    """Put the impression into a plotter, shaded in steps of depth with contour lines."""
    surface = surface_of(block.mesh)
    surface["height"] = block.heights_mm
    low, colours = _depths(lowest_mm)
    plotter.add_mesh(
        surface,
        scalars="height",
        cmap=colours,
        clim=(low, 0.0),
        show_scalar_bar=False,
        name=block.name,
        ambient=0.42,
        diffuse=0.62,
        reset_camera=False,
    )
    levels = np.arange(low + BAND_MM, -BAND_MM / 2.0, BAND_MM)
    contours = surface.contour(levels, scalars="height")
    if contours.n_points:
        contours.points[:, 2] += _LINE_LIFT_MM
        plotter.add_mesh(
            contours,
            color=INK,
            line_width=1.2,
            lighting=False,
            opacity=0.55,
            name="contours",
            reset_camera=False,
        )


def surface_of(mesh: Mesh) -> Any:
    """Hand a surface over to pyvista, with its normals for smooth shading."""
    import pyvista

    library: Any = pyvista  # its types know no short arrays
    points = mesh.points_mm.astype(np.float32)
    surface = library.PolyData.from_regular_faces(points, mesh.triangles)
    surface.point_data["Normals"] = mesh.normals().astype(np.float32)
    surface.point_data.active_normals_name = "Normals"
    return surface


def draw_off_screen() -> None:
    """Tell VTK to look for no display where there is none; else it complains first."""
    if HAS_X11 and not os.environ.get("DISPLAY"):
        os.environ.update(_OFF_SCREEN_WINDOW)


@functools.cache
def refuse_blind(*, off_screen: bool) -> None:
    """Make sure that drawing works here, else raise in one line with every package to install."""
    libraries = (_OFF_SCREEN if off_screen else _IN_WINDOW) if HAS_X11 else ()
    window = (_OFF_SCREEN_WINDOW if off_screen else _TRIAL_WINDOW) if HAS_X11 else {}
    tried = functools.partial(
        try_apart, draw_once, libraries, variables=window, patience_s=_PATIENCE_S
    )
    code, packages, told = tried()
    if code and not packages.strip():
        # Once more: a busy computer, or a display that is just waking up.
        code, packages, told = tried()
    if code:
        raise _blind(packages.strip(), told, off_screen=off_screen)


def draw_once(libraries: Sequence[tuple[str, str]]) -> tuple[int, str]:
    """Draw a cube and throw it away: 0, or another number and the packages that are missing."""
    missing = missing_libraries(libraries)
    if missing:
        return 3, " ".join(missing)
    import pyvista

    plotter = pyvista.Plotter(off_screen=True, window_size=[40, 40])
    plotter.add_mesh(pyvista.Cube())
    drawn = np.asarray(plotter.screenshot(None, return_img=True))
    return (0 if drawn.std() > 0 else 4), ""


def _blind(packages: str, told: str, *, off_screen: bool) -> UsageError:
    where = "off screen" if off_screen else "in a window"
    found, needed, remedy = f"no {packages}", "it to draw", f"apt-get install {packages}"
    if "No module named" in told:
        found, remedy = (
            "no pyvista",
            "set volest up once more: in its folder, .venv/bin/pip install .",
        )
    elif not packages and not HAS_X11:
        found, needed = f"a computer that cannot draw {where}", "OpenGL 3.2 or newer"
        remedy = "update the driver of its graphics card; a remote desktop may have none"
    elif not packages:
        found = f"a computer that cannot draw {where}"
        needed = "OpenGL" if off_screen else "OpenGL and a display (DISPLAY)"
        remedy += " ".join(one for _, one in (_OFF_SCREEN if off_screen else _IN_WINDOW))
        if not off_screen:
            remedy += ", or use `volest show --picture`, which needs no display"
    return UsageError(found, needed=needed, remedy=remedy)
