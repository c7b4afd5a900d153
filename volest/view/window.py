"""The window: impression, stone and base line; what is moved is told at once, and can be saved."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from volest.errors import MixError, ScanError
from volest.settings import Settings
from volest.sheet.names import shortened, visible
from volest.view import camera, grips, panel
from volest.view.handling import Handling, Held
from volest.view.picture import draw_off_screen, put_block
from volest.view.scene import PAPER, Block, best_cut_mm, cut_open

SIZE_PX = (1400, 900)
_STEP_MM, _LEAP_MM, _STEP_DEG, _CUT_STEP_MM = 0.1, 1.0, 0.5, 1.0
_LONGEST_NAME = 40
_LOG = logging.getLogger(__name__)


class Window:
    """A window on some scans, one at a time; without a display (`off_screen`) for tests."""

    def __init__(
        self, paths: Sequence[Path], settings: Settings, *, off_screen: bool = False
    ) -> None:
        if off_screen:
            draw_off_screen()
        import pyvista as pv

        self.paths, self.settings = list(paths), settings
        self.cavities = [1] * len(self.paths)  # which impression of each; found out by looking
        self.number, self.told = 0, ""
        self.handling: Handling | None = None
        self.cut_mm: float | None = None
        self.words_shown = True
        self.blocks: dict[str, Block] = {}
        # Where the lines of other scans and impressions were left, unsaved.
        self._left: dict[tuple[Path, int], Held] = {}
        self._sliders: dict[str, Any] = {}
        plotter: Any = pv.Plotter(off_screen=off_screen, window_size=list(SIZE_PX), title="volest")
        plotter.set_background(PAPER)
        self.plotter = plotter
        self._bind()
        self._load()

    def keys(self) -> dict[str, tuple[str, Callable[[], None]]]:
        """Give for each key, as the window system names it, what it does in words and in fact."""
        return {
            "Up": (f"base line up {_STEP_MM} mm", lambda: self.raise_by(_STEP_MM)),
            "Down": (f"base line down {_STEP_MM} mm", lambda: self.raise_by(-_STEP_MM)),
            "Prior": (f"up {_LEAP_MM:.0f} mm", lambda: self.raise_by(_LEAP_MM)),
            "Next": (f"down {_LEAP_MM:.0f} mm", lambda: self.raise_by(-_LEAP_MM)),
            "Right": ("tilt up to the right", lambda: self.tilt_by(right_deg=_STEP_DEG)),
            "Left": ("tilt up to the left", lambda: self.tilt_by(right_deg=-_STEP_DEG)),
            "Home": ("tilt up to the front", lambda: self.tilt_by(front_deg=_STEP_DEG)),
            "End": ("tilt up to the back", lambda: self.tilt_by(front_deg=-_STEP_DEG)),
            "0": ("back to the line it opened with", lambda: self.hold(Held())),
            "c": ("cut open, or close", self.toggle_cut),
            "comma": ("cut towards the back", lambda: self.move_cut(-_CUT_STEP_MM)),
            "period": ("cut towards the front", lambda: self.move_cut(_CUT_STEP_MM)),
            "a": ("look from above", self.look_from_above),
            "o": ("look from the back", self.look_from_back),
            "n": ("next scan or impression", lambda: self.turn_to(self.number + 1)),
            "b": ("the one before", lambda: self.turn_to(self.number - 1)),
            "s": ("save the base line", self.save),
            "k": ("hide or show these words", self.toggle_words),
            "Escape": ("close", self.close),
        }

    def _bind(self) -> None:
        # VTK and pyvista have keys of their own, which would act as well.
        self.plotter.iren.clear_key_event_callbacks()
        self.plotter.iren.interactor.RemoveObservers("CharEvent")
        for key, (_, act) in self.keys().items():
            self.plotter.add_key_event(key, act)

    def _load(self) -> None:
        path, cavity = self._shown
        self.cut_mm, self.handling = None, None
        try:
            self.handling = Handling(path, self.settings, cavity)
            self._list_further(path, self.handling.result.cavities)
        except (ScanError, MixError) as fault:
            self.told = f"refused: {fault}"
            _LOG.info("%s is refused: %s", path, fault)
        self._restart()
        if self._shown in self._left:
            self.hold(self._left.pop(self._shown))

    @property
    def _shown(self) -> tuple[Path, int]:
        return self.paths[self.number], self.cavities[self.number]

    def _list_further(self, path: Path, count: int) -> None:
        """Let the further impressions of a scan follow it, once it is known how many it has."""
        if self.cavities[self.number] == 1 and path not in self.paths[self.number + 1 :]:
            after = slice(self.number + 1, self.number + 1)
            self.paths[after] = [path] * (count - 1)
            self.cavities[after] = range(2, count + 1)

    def _restart(self) -> None:
        self.plotter.clear_actors()
        self.plotter.clear_slider_widgets()
        self._sliders.clear()
        if self.handling is not None:
            self._sliders = grips.put_sliders(self.plotter, self.handling, self.hold, self.cut_at)
        self.draw()
        self.look_from_back()

    def draw(self) -> None:
        """Draw the scan as it is held, and say what then holds."""
        before = set(self.blocks)
        self.blocks = {}
        self.plotter.suppress_rendering = True  # once at the end, not after each block
        if self.handling is not None:
            scene = self.handling.scene()
            self.blocks = scene.blocks
            if self.cut_mm is not None:
                cavity, base = self.handling.cavity, self.handling.base
                self.blocks = cut_open(scene, cavity, self.cut_mm, base)
            grips.put_sheet(self.plotter, self.handling, self.cut_mm)
        for name in before - set(self.blocks):
            self.plotter.remove_actor(name, render=False)
        self.plotter.remove_actor("impression profile", render=False)
        for block in self.blocks.values():
            put_block(self.plotter, block)
        self._tell()
        _LOG.info("blocks: %s", ", ".join(self.blocks))

    def _tell(self) -> None:
        path, cavity = self._shown
        several = self.handling is not None and self.handling.result.cavities > 1
        called = f"{path.name} #{cavity}" if several else path.name
        name = shortened(visible(called), _LONGEST_NAME)
        head = f"{name}   ({self.number + 1} of {len(self.paths)})"
        keys = {key: words for key, (words, _) in self.keys().items()} if self.words_shown else {}
        panel.put_words(self.plotter, head, self.handling, self.told)
        panel.put_keys(self.plotter, keys)
        panel.put_legend(self.plotter, tuple(self.blocks) if self.words_shown else ())
        self.plotter.suppress_rendering = False
        self.plotter.render()

    def hold(self, held: Held) -> None:
        """Hold the base line somewhere."""
        if self.handling is None:
            return
        self.handling.hold(held)
        self.told = "" if self.handling.held == Held() else "changed, not saved"
        grips.set_sliders(self._sliders, self.handling.held, self.cut_mm)
        self.draw()

    def raise_by(self, mm: float) -> None:
        """Raise the base line."""
        if self.handling is not None:
            self.handling.raise_by(mm)
            self.hold(self.handling.held)

    def tilt_by(self, *, right_deg: float = 0.0, front_deg: float = 0.0) -> None:
        """Tilt the base line."""
        if self.handling is not None:
            self.handling.tilt_by(right_deg=right_deg, front_deg=front_deg)
            self.hold(self.handling.held)

    def toggle_cut(self) -> None:
        """Cut it open where most stone shows, or close it."""
        if self.handling is None:
            return
        at = best_cut_mm(self.handling.cavity, self.handling.stand) if self.cut_mm is None else None
        self.cut_at(at)

    def move_cut(self, mm: float) -> None:
        """Move the cut towards the front."""
        if self.cut_mm is None:
            self.toggle_cut()
        elif self.handling is not None:
            along = self.handling.skin.points_mm[:, 1]
            self.cut_at(float(np.clip(self.cut_mm + mm, along.min(), along.max())))

    def cut_at(self, at_mm: float | None) -> None:
        """Cut it open somewhere; None closes it."""
        if self.handling is None:
            return
        self.cut_mm = at_mm
        grips.set_sliders(self._sliders, self.handling.held, self.cut_mm)
        self.draw()

    def look_from_above(self) -> None:
        """Look along the pour axis."""
        self._look(camera.ABOVE, (0.0, 1.0, 0.0))

    def look_from_back(self) -> None:
        """Look over the back into the opening."""
        self._look(camera.BACK, (0.0, 0.0, 1.0))

    def _look(self, way: tuple[float, float, float], up: tuple[float, float, float]) -> None:
        if self.handling is None:
            return
        eye, middle = camera.eye_and_middle(self.handling.skin.points_mm, way)
        self.plotter.camera_position = [tuple(eye), tuple(middle), up]
        self.plotter.camera.view_angle = camera.VIEW_ANGLE_DEG
        self.plotter.reset_camera_clipping_range()
        self.draw()

    def turn_to(self, number: int) -> None:
        """Turn to another scan; outside the list nothing happens."""
        if 0 <= number < len(self.paths):
            self._leave()
            self.number, self.told = number, ""
            self._load()

    def _leave(self) -> None:
        if self.handling is not None and self.handling.held != Held():
            self._left[self._shown] = self.handling.held

    def unsaved(self) -> list[Path]:
        """List the scans whose base lines were moved and not saved, once an impression."""
        self._leave()
        return [path for path, _ in sorted(self._left, key=self._place)]

    def _place(self, shown: tuple[Path, int]) -> int:
        return list(zip(self.paths, self.cavities, strict=True)).index(shown)

    def save(self) -> None:
        """Save the base line beside the scan, and show the scan as it is measured by it."""
        if self.handling is None:
            return
        try:
            self.handling = self.handling.save()
        except (ScanError, MixError, OSError) as fault:
            self.told = f"not saved: {fault}"
            self.draw()
            return
        self.settings = replace(self.settings, obey_saved=True)
        self.told = "saved; volest size obeys it"
        self._restart()

    def toggle_words(self) -> None:
        """Hide or show keys and legend."""
        self.words_shown = not self.words_shown
        self.draw()

    def show(self) -> None:
        """Open the window until it is closed."""
        self.plotter.show(auto_close=False)
        self.plotter.close()

    def close(self) -> None:
        """Close the window."""
        self.plotter.iren.terminate_app()
