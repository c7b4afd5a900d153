"""What a hand takes hold of in the window: sliders, and the base line as a sheet of glass."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from volest.view.handling import MOST_TILT_DEG, Handling, Held
from volest.view.mesh import grid_mesh
from volest.view.picture import surface_of
from volest.view.scene import INK, on_base_line

_FREE_MM = 6.0  # of the sheet, round the impression
_SMALL, _THIN = 0.018, 0.005  # letters and knobs, and the bar between them: parts of the window
_CLOSED_MM = 0.05  # a cut slider so near to its end closes the cut
_SLIDERS = {  # name: title, and where from and to, in parts of the window
    "height": ("base line, mm", (0.30, 0.20), (0.70, 0.20)),
    "right": ("tilt to the right, degrees", (0.30, 0.08), (0.46, 0.08)),
    "front": ("tilt to the front, degrees", (0.54, 0.08), (0.70, 0.08)),
    "cut": ("cut, mm", (0.74, 0.08), (0.90, 0.08)),
}


def put_sliders(
    plotter: Any,
    handling: Handling,
    hold: Callable[[Held], None],
    cut_at: Callable[[float | None], None],
) -> dict[str, Any]:
    """Lay the sliders, which tell `hold` and `cut_at` where base line and cut are dragged to."""
    along = handling.skin.points_mm[:, 1]
    ranges = {
        "height": handling.range_mm,
        "right": (-MOST_TILT_DEG, MOST_TILT_DEG),
        "front": (-MOST_TILT_DEG, MOST_TILT_DEG),
        "cut": (float(along.min()), float(along.max())),
    }
    acts: dict[str, Callable[[float], None]] = {
        "height": lambda mm: hold(replace(handling.held, height_mm=round(mm, 1))),
        "right": lambda deg: hold(replace(handling.held, right_deg=round(deg, 1))),
        "front": lambda deg: hold(replace(handling.held, front_deg=round(deg, 1))),
        "cut": lambda mm: cut_at(None if mm <= ranges["cut"][0] + _CLOSED_MM else mm),
    }
    return {name: _laid(plotter, name, acts[name], ranges[name]) for name in _SLIDERS}


def _laid(plotter: Any, name: str, act: Callable[[float], None], span: tuple[float, float]) -> Any:
    title, start, end = _SLIDERS[name]
    slider = plotter.add_slider_widget(
        act,
        span,
        value=span[0] if name == "cut" else 0.0,
        title=title,
        pointa=start,
        pointb=end,
        color=INK,
        fmt="%.1f",
        title_height=_SMALL,
        slider_width=_SMALL,
        tube_width=_THIN,
        interaction_event="always",
    )
    slider.GetRepresentation().SetLabelHeight(_SMALL)
    return slider


def set_sliders(sliders: Mapping[str, Any], held: Held, cut_mm: float | None) -> None:
    """Bring the sliders to where base line and cut are."""
    values = {"height": held.height_mm, "right": held.right_deg, "front": held.front_deg}
    for name, slider in sliders.items():
        shown = slider.GetRepresentation()
        shown.SetValue(values.get(name, shown.GetMinimumValue() if cut_mm is None else cut_mm))


def put_sheet(plotter: Any, handling: Handling, cut_mm: float | None) -> None:
    """Lay the base line's plane over the impression, as a sheet of glass that ends at the cut."""
    points, stand = handling.skin.points_mm, handling.stand
    low, high = points.min(axis=0) - _FREE_MM, points.max(axis=0) + _FREE_MM
    back = float(low[1]) if cut_mm is None else cut_mm
    net = grid_mesh(np.array([low[0], high[0]]), np.array([back, high[1]]))
    flat = on_base_line(handling.base, stand.undrawn(net.points_mm))
    plotter.add_mesh(
        surface_of(replace(net, points_mm=stand.drawn(flat))),
        color=INK,
        opacity=0.12,
        lighting=False,
        name="base sheet",
        reset_camera=False,
        render=False,
    )
