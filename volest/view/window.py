"""The window: impression, stone and base line; what is moved is told at once, and can be saved."""

import logging
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from volest.errors import MixError, ScanError, VolestError, visible
from volest.report.table import shortened, volume_words
from volest.settings import Settings
from volest.stone.words import bowl_in_words, powder_cell, scoops_cell, water_cell
from volest.view.editor import MOST_TILT_DEG, BaseLineEditor, Figures, Held
from volest.view.picture import draw_off_screen, legend_of, put_block, surface_of
from volest.view.scene import (
    IMPRESSION,
    INK,
    PAPER,
    STONE,
    Block,
    best_cut_mm,
    cut_open,
    grid_mesh,
    on_base_line,
)

_FREE_MM = 6.0  # of the sheet, round the impression
_PART, _THIN = 0.018, 0.005  # letters and knobs, and the bar between them: parts of the window
_CLOSED_MM = 0.05  # a cut slider so near to its end closes the cut
_TILTS = (-MOST_TILT_DEG, MOST_TILT_DEG)
_LARGE, _MIDDLE, _FINE = 16, 13, 10
_ALARM, _LEGEND, _CUT = "#a33f00", "legend", "cut"
_NAMES = {"Prior": "Page up", "Next": "Page down", "comma": ",", "period": "."}
_LINE_CHARACTERS = 90
_LEGEND_UNDER, _OFF_PX = 0.78, (10, 8)  # part of the window; off its right edge, and below that
_MOST_BYTE = 255.0
_TOLD_AT, _LINE_PX = 0.0035, 23.0  # in parts of its width; how far a line lies under another
_VIEW_ANGLE_DEG = 23.0
_ABOVE = (0.0, 0.0, 1.0)
_BACK = (0.25, -1.0, 0.95)  # over the back into the opening
_ASIDE = 0.08
_REACH = 2.5  # diagonals of the scan: at that angle all of it is seen from there
SIZE_PX = (1400, 900)
_STEP_MM, _LEAP_MM, _STEP_DEG, _CUT_STEP_MM = 0.1, 1.0, 0.5, 1.0
_LONGEST_NAME = 40
_THROUGH = 0.35  # of the stone's colour is left where one looks through it
_MARKING = "Point at each prepared tooth and press p; once more takes its mark away."
_LOG = logging.getLogger(__name__)


class Window:
    """A window on some scans, one at a time; without a display (`off_screen`) for tests."""

    def __init__(
        self, paths: Sequence[Path], settings: Settings, *, off_screen: bool = False
    ) -> None:
        if off_screen:
            draw_off_screen()
        import pyvista as pv

        self.settings = settings
        # Impressions by their scan, and which of its own each is: more are found out by looking.
        self.scans = [(path, 1) for path in paths]
        self.number, self.told = 0, ""
        self.handling: BaseLineEditor | None = None
        self.cut_mm: float | None = None
        self.words_shown, self.through = True, False
        self.blocks: dict[str, Block] = {}
        # Where the lines of other scans and impressions were left, unsaved.
        self._left: dict[tuple[Path, int], Held] = {}
        self._sliders: dict[str, Any] = {}
        plotter: Any = pv.Plotter(off_screen=off_screen, window_size=list(SIZE_PX), title="volest")
        plotter.set_background(PAPER)
        self.plotter = plotter
        # VTK and pyvista have keys of their own, which would act as well.
        plotter.iren.clear_key_event_callbacks()
        plotter.iren.interactor.RemoveObservers("CharEvent")
        for key, (_, act) in self.keys().items():
            plotter.add_key_event(key, act)
        self._load()

    def keys(self) -> dict[str, tuple[str, Callable[[], None]]]:
        """Give for each key, as the window system names it, what it does in words and in fact."""
        return {
            "Up": (f"base line up {_STEP_MM} mm", lambda: self.move_by(height_mm=_STEP_MM)),
            "Down": (f"base line down {_STEP_MM} mm", lambda: self.move_by(height_mm=-_STEP_MM)),
            "Prior": (f"up {_LEAP_MM:.0f} mm", lambda: self.move_by(height_mm=_LEAP_MM)),
            "Next": (f"down {_LEAP_MM:.0f} mm", lambda: self.move_by(height_mm=-_LEAP_MM)),
            "Right": ("tilt up to the right", lambda: self.move_by(right_deg=_STEP_DEG)),
            "Left": ("tilt up to the left", lambda: self.move_by(right_deg=-_STEP_DEG)),
            "Home": ("tilt up to the front", lambda: self.move_by(front_deg=_STEP_DEG)),
            "End": ("tilt up to the back", lambda: self.move_by(front_deg=-_STEP_DEG)),
            "0": ("back to how it opened", lambda: self.hold(Held())),
            "c": ("cut open, or close", self.toggle_cut),
            "comma": ("cut towards the back", lambda: self.move_cut(-_CUT_STEP_MM)),
            "period": ("cut towards the front", lambda: self.move_cut(_CUT_STEP_MM)),
            "p": ("mark prepared teeth", self.mark),
            "t": ("look through the stone, or not", self.look_through),
            "a": ("look from above", self.look_from_above),
            "o": ("look from the back", self.look_from_back),
            "n": ("next scan or impression", lambda: self.turn_to(self.number + 1)),
            "b": ("the one before", lambda: self.turn_to(self.number - 1)),
            "s": ("save", self.save),
            "k": ("hide or show these words", self.toggle_words),
            "Escape": ("close", self.plotter.iren.terminate_app),
        }

    def _load(self) -> None:
        shown = path, cavity = self.scans[self.number]
        self.cut_mm, self.handling = None, None
        try:
            self.handling = BaseLineEditor(path, self.settings, cavity)
        except (ScanError, MixError) as fault:
            self.told = f"refused: {fault}"
            _LOG.info("%s is refused: %s", path, fault)
        after = self.number + 1  # further impressions of the scan follow it, once they are known
        if self.handling is not None and cavity == 1 and (path, 2) not in self.scans[after:]:
            further = range(2, self.handling.result.cavities + 1)
            self.scans[after:after] = [(path, number) for number in further]
        self._restart()
        if shown in self._left:
            self.hold(self._left.pop(shown))

    def _restart(self) -> None:
        self.plotter.clear_actors()
        self.plotter.clear_slider_widgets()
        self._sliders.clear()
        if self.handling is not None:
            self._put_sliders(self.handling)
        self.draw()
        self.look_from_back()

    def _put_sliders(self, handling: BaseLineEditor) -> None:
        """Lay the sliders, by the names of what they hold: the base line, and the cut."""
        along = handling.skin.points_mm[:, 1]
        back, front = float(along.min()), float(along.max())
        for name, title, ends, at, until in (
            ("height_mm", "base line, mm", handling.range_mm, (0.30, 0.20), (0.70, 0.20)),
            ("right_deg", "tilt to the right, degrees", _TILTS, (0.30, 0.08), (0.46, 0.08)),
            ("front_deg", "tilt to the front, degrees", _TILTS, (0.54, 0.08), (0.70, 0.08)),
            (_CUT, "cut, mm", (back, front), (0.74, 0.08), (0.90, 0.08)),
        ):

            def act(value: float, name: str = name) -> None:
                if name == _CUT:
                    return self.cut_at(None if value <= back + _CLOSED_MM else value)
                moved: Any = {name: round(value, 1)}
                return self.hold(replace(handling.held, **moved))

            self._sliders[name] = self.plotter.add_slider_widget(
                act,
                ends,
                value=back if name == _CUT else 0.0,
                title=title,
                pointa=at,
                pointb=until,
                color=INK,
                fmt="%.1f",
                title_height=_PART,
                slider_width=_PART,
                tube_width=_THIN,
                interaction_event="always",
            )
            self._sliders[name].GetRepresentation().SetLabelHeight(_PART)

    def _set_sliders(self, held: Held) -> None:
        """Bring the sliders to where base line and cut are."""
        for name, slider in self._sliders.items():
            shown = slider.GetRepresentation()
            closed = shown.GetMinimumValue() if self.cut_mm is None else self.cut_mm
            shown.SetValue(closed if name == _CUT else getattr(held, name))

    def draw(self) -> None:
        """Draw the scan as it is held, and say what then holds."""
        before = set(self.blocks)
        self.blocks = {}
        self.plotter.suppress_rendering = True  # once at the end, not after each block
        if self.handling is not None:
            scene = self.handling.scene()
            drawn = scene.blocks if self.cut_mm is None else cut_open(scene, self.cut_mm)
            self.blocks = {  # what is cut away whole has nothing to draw
                name: one
                for name, one in drawn.items()
                if len(one.mesh.triangles) or len(one.lines_mm)
            }
            self._put_sheet(self.handling)
        for name in before - set(self.blocks):
            self.plotter.remove_actor(name, render=False)
        self.plotter.remove_actor("impression profile", render=False)
        for block in self.blocks.values():
            put_block(self.plotter, block)
        if self.through and STONE in self.blocks:
            self.plotter.actors[STONE].prop.opacity = _THROUGH
        self._tell()
        _LOG.info("blocks: %s", ", ".join(self.blocks))

    def _put_sheet(self, handling: BaseLineEditor) -> None:
        """Lay the base line's plane over all, as a sheet of glass that ends at the cut."""
        points, stand = handling.skin.points_mm, handling.stand
        low, high = points.min(axis=0) - _FREE_MM, points.max(axis=0) + _FREE_MM
        back = float(low[1]) if self.cut_mm is None else self.cut_mm
        net = grid_mesh(np.array([low[0], high[0]]), np.array([back, high[1]]))
        flat = on_base_line(handling.base, stand.undrawn(net.points_mm))
        self.plotter.add_mesh(
            surface_of(replace(net, points_mm=stand.drawn(flat))),
            color=INK,
            opacity=0.12,
            lighting=False,
            name="base sheet",
            reset_camera=False,
            render=False,
        )

    def _tell(self) -> None:
        path, cavity = self.scans[self.number]
        several = self.handling is not None and self.handling.result.cavities > 1
        called = f"{path.name} #{cavity}" if several else path.name
        name = shortened(visible(called), _LONGEST_NAME)
        head = [f"{name}   ({self.number + 1} of {len(self.scans)})"]
        numbers, told = [], [self.told]
        if self.handling is not None:
            if codes := ", ".join(note.code for note in self.handling.result.notes):
                head.append(f"look at: {visible(codes)}")
            head.append(_held_line(self.handling))
            figures = self.handling.figures()
            numbers = _figure_lines(figures)
            told += [f"no mix: {figures.why}"] if figures.why else []
        keys = [f"{_NAMES.get(key, key)}:  {does}" for key, (does, _) in self.keys().items()]
        self._write("head", head, at="upper_left", size=_MIDDLE)
        self._write("figures", numbers, at="upper_right", size=_LARGE)
        under = 1.0 - _LINE_PX * (len(head) + 0.2) / self.plotter.window_size[1]
        lines = [
            line for text in told for line in textwrap.wrap(visible(text), _LINE_CHARACTERS) or [""]
        ]
        self._write("told", lines, at=(_TOLD_AT, under), size=_MIDDLE, colour=_ALARM)
        self._write("keys", keys if self.words_shown else [], at="lower_left", size=_FINE)
        _put_legend(self.plotter, tuple(self.blocks) if self.words_shown else ())
        self.plotter.suppress_rendering = False
        self.plotter.render()

    def _write(
        self,
        name: str,
        lines: Sequence[str],
        *,
        at: str | tuple[float, float],
        size: int,
        colour: str = INK,
    ) -> None:
        """Put words at a corner, or let them hang down from a place in parts of the window."""
        is_place = not isinstance(at, str)
        actor = self.plotter.add_text(
            "\n".join(lines) or " ",
            position=at,
            viewport=is_place,
            font_size=size,
            color=colour,
            name=name,
            render=False,
        )
        if is_place:
            actor.prop.SetVerticalJustificationToTop()  # more lines hang down, over nothing else

    def hold(self, held: Held) -> None:
        """Hold the base line somewhere."""
        self._change(lambda handling: handling.hold(held))

    def move_by(self, **moves: float) -> None:
        """Raise and tilt the base line, as `BaseLineEditor.move_by` is told."""
        self._change(lambda handling: handling.move_by(**moves))

    def _change(self, act: Callable[[BaseLineEditor], None]) -> None:
        if self.handling is None:
            return
        act(self.handling)
        self.told = "" if self.handling.held == Held() else "changed, not saved"
        self._set_sliders(self.handling.held)
        self.draw()

    def look_through(self) -> None:
        """Look through the stone, or at it."""
        self.through = not self.through
        self.draw()

    def mark(self) -> None:
        """Mark the tooth under the pointer as prepared, or no more; first let it be seen."""
        from vtkmodules.vtkRenderingCore import vtkCellPicker

        if self.handling is None:
            return
        picker: Any = vtkCellPicker()
        if IMPRESSION in self.blocks:
            picker.AddPickList(self.plotter.actors[IMPRESSION])
        picker.PickFromListOn()
        x, y = self.plotter.iren.get_event_position()
        if self.through and picker.Pick(x, y, 0.0, self.plotter.renderer):
            place_mm = np.array(picker.GetPickPosition())
            self._change(lambda handling: handling.mark_at(place_mm))
            return
        self.told = "There is no impression. " * self.through + _MARKING
        self.through = True
        self.draw()

    def toggle_cut(self) -> None:
        """Cut it open where most stone shows, or close it."""
        if self.handling is not None:
            self.cut_at(best_cut_mm(self.handling.cavity) if self.cut_mm is None else None)

    def move_cut(self, mm: float) -> None:
        """Move the cut towards the front."""
        if self.cut_mm is None:
            self.toggle_cut()
        elif self.handling is not None:
            along = self.handling.skin.points_mm[:, 1]
            self.cut_at(float(np.clip(self.cut_mm + mm, along.min(), along.max())))

    def cut_at(self, at_mm: float | None) -> None:
        """Cut it open somewhere; None closes it."""
        if self.handling is not None:
            self.cut_mm = at_mm
            self._set_sliders(self.handling.held)
            self.draw()

    def look_from_above(self) -> None:
        """Look along the pour axis."""
        self._look(_ABOVE, (0.0, 1.0, 0.0))

    def look_from_back(self) -> None:
        """Look over the back into the opening."""
        self._look(_BACK, (0.0, 0.0, 1.0))

    def _look(self, way: tuple[float, float, float], up: tuple[float, float, float]) -> None:
        if self.handling is None:
            return
        points_mm = self.handling.skin.points_mm
        middle = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2.0
        middle[0] += _ASIDE * float(np.ptp(points_mm[:, 0]))  # the legend stands on the right
        reach_mm = _REACH * float(np.linalg.norm(np.ptp(points_mm, axis=0)))
        eye = middle + reach_mm * np.array(way) / np.linalg.norm(way)
        self.plotter.camera_position = [tuple(eye), tuple(middle), up]
        self.plotter.camera.view_angle = _VIEW_ANGLE_DEG
        self.plotter.reset_camera_clipping_range()
        self.draw()

    def turn_to(self, number: int) -> None:
        """Turn to another scan; outside the list nothing happens."""
        if 0 <= number < len(self.scans):
            self._leave()
            self.number, self.told = number, ""
            self._load()

    def _leave(self) -> None:
        if self.handling is not None and self.handling.held != Held():
            self._left[self.scans[self.number]] = self.handling.held

    def unsaved(self) -> list[Path]:
        """List the scans of which something was changed and not saved, once an impression."""
        self._leave()
        return [shown[0] for shown in self.scans if shown in self._left]

    def save(self) -> None:
        """Save base line and marks beside the scan, and show the scan as it is measured by them."""
        if self.handling is None:
            return
        try:
            self.handling = self.handling.save()
        except (VolestError, OSError) as fault:
            self.told = f"not saved: {fault}"
            self.draw()
            return
        self.settings = self.handling.settings
        self._restart()
        self.told = "saved; volest size obeys it"
        self._tell()

    def toggle_words(self) -> None:
        """Hide or show keys and legend."""
        self.words_shown = not self.words_shown
        self.draw()

    def show(self) -> None:
        """Open the window until it is closed."""
        self.plotter.show(auto_close=False)
        self.plotter.close()


def _figure_lines(figures: Figures) -> list[str]:
    """Say volume and mix for the base line as it is held."""
    mix = figures.mix
    lines = [volume_words(figures.volume_ml, figures.low_ml, figures.high_ml, " mL")]
    if mix is not None:
        lines += [
            f"1. water {water_cell(mix)} mL",
            f"2. powder {powder_cell(mix)} g {mix.stone}",
            f"scoops {scoops_cell(mix)}",
            *filter(None, [visible(bowl_in_words(mix))]),
        ]
    return lines


def _held_line(handling: BaseLineEditor) -> str:
    """Say where the base line is held, against the measured one."""
    line, held = handling.result.base_line, handling.held
    how = "" if line is None else f" from the measured one ({line.how})"
    words = f"base line {held.height_mm:+.1f} mm{how}"
    if held.is_tilted:
        words += f"; tilt {held.right_deg:+.1f} right, {held.front_deg:+.1f} front"
    if marks := len(handling.prepared):
        words += f"; prepared teeth marked: {marks}"
    return words


def _put_legend(plotter: Any, names: tuple[str, ...]) -> None:
    """Draw the legend of some blocks; none hides it."""
    import pyvista as pv
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkImageMapper

    plotter.remove_actor(_LEGEND, render=False)
    if not names:
        return
    pixels = np.asarray(legend_of(names))[::-1]  # VTK counts rows from below
    rows, columns, _ = pixels.shape
    image = pv.ImageData(dimensions=(columns, rows, 1))
    image.point_data["colours"] = pixels.reshape(-1, 3)
    image.point_data.active_scalars_name = "colours"
    mapper = vtkImageMapper()
    mapper.SetInputData(image)
    mapper.SetColorWindow(_MOST_BYTE)
    mapper.SetColorLevel(_MOST_BYTE / 2.0)
    actor = vtkActor2D()
    actor.SetMapper(mapper)
    wide, tall = plotter.window_size
    actor.SetPosition(wide - columns - _OFF_PX[0], _LEGEND_UNDER * tall - rows - _OFF_PX[1])
    plotter.add_actor(actor, name=_LEGEND, reset_camera=False, render=False)
