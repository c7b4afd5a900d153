"""What is written round the drawing in the window: figures, keys and legend."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from volest.sheet.names import visible
from volest.stone.in_cells import powder_dealt, scoops_dealt, water_dealt
from volest.stone.in_words import bowl_in_words
from volest.view.handling import Figures, Handling
from volest.view.picture import image_of, legend_of, volume_words
from volest.view.scene import INK

_BIG, _MIDDLE, _SMALL = 16, 13, 10
_ALARM, _LEGEND = "#a33f00", "legend"
_NAMES = {"Prior": "Page up", "Next": "Page down", "comma": ",", "period": "."}
_LINE_CHARACTERS = 90
_LEGEND_UNDER, _FROM_EDGE_PX = 0.78, 10  # part of the window below the figures; at its right
_MOST_BYTE = 255.0
_HELD_AT, _TOLD_AT = (0.0035, 0.942), (0.0035, 0.91)  # in parts of the window


def put_words(plotter: Any, head: str, handling: Handling | None, told: str) -> None:
    """Write name and figures, and what has just happened; a refused scan has no handling."""
    codes = () if handling is None else tuple(note.code for note in handling.result.notes)
    look_at = f"\nlook at: {visible(', '.join(codes))}" if codes else ""
    _write(plotter, "head", head + look_at, at="upper_left", size=_MIDDLE, colour=INK)
    figures = None if handling is None else handling.figures()
    words = "" if figures is None else "\n".join(figure_lines(figures))
    held = "" if handling is None else held_line(handling)
    _write(plotter, "figures", words, at="upper_right", size=_BIG, colour=INK)
    why = f"no mix: {figures.why}" if figures is not None and figures.why else ""
    lines = "\n".join(line for text in (told, why) for line in _folded(visible(text)))
    _write(plotter, "told", lines, at=_TOLD_AT, size=_MIDDLE, colour=_ALARM)
    _write(plotter, "held", held, at=_HELD_AT, size=_SMALL + 1, colour=INK)


def figure_lines(figures: Figures) -> list[str]:
    """Say volume and mix for the base line as it is held."""
    mix = figures.mix
    lines = [volume_words(figures.volume_ml, figures.low_ml, figures.high_ml)]
    if mix is not None:
        lines += [
            f"1. water {water_dealt(mix)} mL",
            f"2. powder {powder_dealt(mix)} g {mix.stone}",
            f"scoops {scoops_dealt(mix)}",
            *filter(None, [visible(bowl_in_words(mix))]),
        ]
    return lines


def held_line(handling: Handling) -> str:
    """Say where the base line is held, against the measured one."""
    line, held = handling.result.base_line, handling.held
    how = "" if line is None else f" from the measured one ({line.how})"
    words = f"base line {held.height_mm:+.1f} mm{how}"
    if held.is_tilted:
        words += f"; tilt {held.right_deg:+.1f} right, {held.front_deg:+.1f} front"
    return words


def put_keys(plotter: Any, keys: Mapping[str, str]) -> None:
    """List the keys with what each does; none hides the list."""
    words = "\n".join(f"{_NAMES.get(key, key)}:  {does}" for key, does in keys.items())
    _write(plotter, "keys", words, at="lower_left", size=_SMALL, colour=INK)


def put_legend(plotter: Any, names: tuple[str, ...]) -> None:
    """Draw the legend of some blocks; none hides it."""
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkImageMapper

    plotter.remove_actor(_LEGEND, render=False)
    if not names:
        return
    pixels = np.asarray(legend_of(names))[::-1]  # VTK counts rows from below
    rows, columns, _ = pixels.shape
    image = image_of(pixels)
    mapper = vtkImageMapper()
    mapper.SetInputData(image)
    mapper.SetColorWindow(_MOST_BYTE)
    mapper.SetColorLevel(_MOST_BYTE / 2.0)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    wide, tall = plotter.window_size
    actor.SetPosition(wide - columns - _FROM_EDGE_PX, _LEGEND_UNDER * tall - rows)
    plotter.add_actor(actor, name=_LEGEND, reset_camera=False, render=False)


def _write(
    plotter: Any,
    name: str,
    words: str,
    *,
    at: str | tuple[float, float],
    size: int,
    colour: str,
) -> None:
    actor = plotter.add_text(
        words or " ",
        position=at,
        viewport=not isinstance(at, str),
        font_size=size,
        color=colour,
        name=name,
        render=False,
    )
    if not isinstance(at, str):
        actor.prop.SetVerticalJustificationToTop()  # more lines hang down, over nothing else


def _folded(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, _LINE_CHARACTERS) or [""]
