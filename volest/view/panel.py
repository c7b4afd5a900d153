"""What stands round the drawing in the window: figures, keys, legend and sliders."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from volest.sheet.names import visible
from volest.stone.in_words import scoops_dealt
from volest.stone.rounding import shown
from volest.view.canvas import image_of, surface_of
from volest.view.handling import MOST_TILT_DEG, Handling, Place
from volest.view.mesh import Mesh, grid_mesh
from volest.view.palette import INK
from volest.view.sheet_of_paper import legend_of

_BIG, _MIDDLE, _SMALL = 16, 13, 10
_ALARM, _LEGEND = "#a33f00", "legend"
_NAMES = {"Prior": "Page up", "Next": "Page down", "comma": ",", "period": "."}
_LINE_CHARACTERS = 90
_LEGEND_UNDER = 0.78  # of the window: below the figures
_FREE_MM = 6.0  # of the base line's sheet, round the impression
_TOLD_AT, _HELD_AT = (0.006, 0.87), (0.30, 0.262)  # in parts of the window
_SLIDERS = {  # name: title, and where from and to, in parts of the window
    "height": ("base line, mm", (0.30, 0.20), (0.70, 0.20)),
    "right": ("tilt to the right, degrees", (0.30, 0.08), (0.46, 0.08)),
    "front": ("tilt to the front, degrees", (0.54, 0.08), (0.70, 0.08)),
    "cut": ("cut, mm", (0.74, 0.08), (0.90, 0.08)),
}


def put_words(plotter: Any, head: str, handling: Handling | None, told: str) -> None:
    """Write name and figures.

    Parameters
    ----------
    plotter : pyvista.Plotter
        The window.
    head : str
        Name of the scan and its number.
    handling : Handling or None
        The scan; None if it is refused.
    told : str
        What has just happened.
    """
    codes = () if handling is None else tuple(note.code for note in handling.result.notes)
    look_at = f"\nlook at: {visible(', '.join(codes))}" if codes else ""
    _write(plotter, "head", head + look_at, at="upper_left", size=_MIDDLE, colour=INK)
    words = "" if handling is None else "\n".join(figure_lines(handling))
    held = "" if handling is None else held_line(handling)
    _write(plotter, "figures", words, at="upper_right", size=_BIG, colour=INK)
    shown = "\n".join(_folded(visible(told)))
    _write(plotter, "told", shown, at=_TOLD_AT, size=_MIDDLE, colour=_ALARM)
    _write(plotter, "held", held, at=_HELD_AT, size=_SMALL + 1, colour=INK)


def figure_lines(handling: Handling) -> list[str]:
    """Say what holds for the base line as it is held.

    Parameters
    ----------
    handling : Handling
        The scan.

    Returns
    -------
    list of str
        Volume with its interval, and the mix.
    """
    figures = handling.figures()
    mix = figures.mix
    low = max(figures.volume_ml - figures.half_ml, 0.0)
    lines = [f"{figures.volume_ml:.1f} mL ({low:.1f}-{figures.volume_ml + figures.half_ml:.1f})"]
    if mix is not None:
        lines += [
            f"1. water {shown(mix.water_ml, mix.bench.cylinder_step_ml)} mL",
            f"2. powder {shown(mix.powder_g, mix.bench.scale_step_g)} g",
            f"scoops {scoops_dealt(mix)}",
        ]
    return lines


def held_line(handling: Handling) -> str:
    """Say where the base line is held.

    Parameters
    ----------
    handling : Handling
        The scan.

    Returns
    -------
    str
        Its height and tilt against the measured one.
    """
    line, place = handling.result.base_line, handling.place
    how = "" if line is None else f" from the measured one ({line.how})"
    words = f"base line {place.height_mm:+.1f} mm{how}"
    if place.is_tilted:
        words += f"; tilt {place.right_deg:+.1f} right, {place.front_deg:+.1f} front"
    return words


def put_keys(plotter: Any, keys: Mapping[str, str]) -> None:
    """List the keys.

    Parameters
    ----------
    plotter : pyvista.Plotter
        The window.
    keys : mapping
        What each does; none hides the list.
    """
    words = "\n".join(f"{_NAMES.get(key, key)}:  {does}" for key, does in keys.items())
    _write(plotter, "keys", words, at="lower_left", size=_SMALL, colour=INK)


def put_legend(plotter: Any, names: tuple[str, ...]) -> None:
    """Draw the legend.

    Parameters
    ----------
    plotter : pyvista.Plotter
        The window.
    names : tuple of str
        Names of the blocks; none hides it.
    """
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkImageMapper

    plotter.remove_actor(_LEGEND, render=False)
    if not names:
        return
    pixels = np.asarray(legend_of(names))[::-1]  # VTK counts rows from below
    rows, columns, _ = pixels.shape
    image = image_of(pixels)
    mapper = vtkImageMapper()
    mapper.SetInputData(image)
    mapper.SetColorWindow(255.0)
    mapper.SetColorLevel(127.5)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    wide, tall = plotter.window_size
    actor.SetPosition(wide - columns - 10, _LEGEND_UNDER * tall - rows)
    plotter.add_actor(actor, name=_LEGEND, reset_camera=False, render=False)


def put_sliders(
    plotter: Any,
    handling: Handling,
    hold: Callable[[Place], None],
    cut_at: Callable[[float | None], None],
) -> dict[str, Any]:
    """Lay the sliders.

    Parameters
    ----------
    plotter : pyvista.Plotter
        The window.
    handling : Handling
        The scan.
    hold : callable
        Called with the place to which the base line is dragged.
    cut_at : callable
        Called with the place to which the cut is dragged.

    Returns
    -------
    dict
        The sliders by name.
    """
    along = handling.skin.points_mm[:, 1]
    ranges = {
        "height": handling.range_mm,
        "right": (-MOST_TILT_DEG, MOST_TILT_DEG),
        "front": (-MOST_TILT_DEG, MOST_TILT_DEG),
        "cut": (float(along.min()), float(along.max())),
    }
    acts: dict[str, Callable[[float], None]] = {
        "height": lambda mm: hold(replace(handling.place, height_mm=round(mm, 1))),
        "right": lambda deg: hold(replace(handling.place, right_deg=round(deg, 1))),
        "front": lambda deg: hold(replace(handling.place, front_deg=round(deg, 1))),
        "cut": lambda mm: cut_at(None if mm <= ranges["cut"][0] + 0.05 else mm),
    }
    sliders = {}
    for name, (title, start, end) in _SLIDERS.items():
        sliders[name] = plotter.add_slider_widget(
            acts[name],
            ranges[name],
            value=ranges[name][0] if name == "cut" else 0.0,
            title=title,
            pointa=start,
            pointb=end,
            color=INK,
            fmt="%.1f",
            title_height=0.018,
            slider_width=0.018,
            tube_width=0.005,
            interaction_event="always",
        )
        sliders[name].GetRepresentation().SetLabelHeight(0.018)
    return sliders


def set_sliders(sliders: Mapping[str, Any], place: Place, cut_mm: float | None) -> None:
    """Bring the sliders to where base line and cut are.

    Parameters
    ----------
    sliders : mapping
        The sliders by name.
    place : Place
        Where the base line is held.
    cut_mm : float or None
        Where the cut is.
    """
    values = {"height": place.height_mm, "right": place.right_deg, "front": place.front_deg}
    for name, slider in sliders.items():
        shown = slider.GetRepresentation()
        shown.SetValue(values.get(name, shown.GetMinimumValue() if cut_mm is None else cut_mm))


def put_sheet(plotter: Any, handling: Handling, cut_mm: float | None) -> None:
    """Lay the base line's plane over the impression, as a sheet of glass.

    Parameters
    ----------
    plotter : pyvista.Plotter
        The window.
    handling : Handling
        The scan.
    cut_mm : float or None
        Where the cut is; the sheet ends there.
    """
    points, stand = handling.skin.points_mm, handling.stand
    low, high = points.min(axis=0) - _FREE_MM, points.max(axis=0) + _FREE_MM
    back = float(low[1]) if cut_mm is None else cut_mm
    net = grid_mesh(np.array([low[0], high[0]]), np.array([back, high[1]]))
    flat = stand.undrawn(net.points_mm)
    a, b, c = (float(value) for value in handling.base.plane)
    flat[:, 2] = a * flat[:, 0] + b * flat[:, 1] + c
    plotter.add_mesh(
        surface_of(Mesh(points_mm=stand.drawn(flat), triangles=net.triangles)),
        color=INK,
        opacity=0.12,
        lighting=False,
        name="base sheet",
        reset_camera=False,
        render=False,
    )


def _write(
    plotter: Any,
    name: str,
    words: str,
    *,
    at: str | tuple[float, float],
    size: int,
    colour: str,
) -> None:
    plotter.add_text(
        words or " ",
        position=at,
        viewport=not isinstance(at, str),
        font_size=size,
        color=colour,
        name=name,
        render=False,
    )


def _folded(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, _LINE_CHARACTERS) or [""]
