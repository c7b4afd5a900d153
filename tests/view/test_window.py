"""The window: its blocks by name off screen, and a real one driven in a real display server."""

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.batch.small import VOLEST
from tests.machine import need_drawing
from tests.view.bowls import write_bowl
from volest.lab import Bowl, Lab
from volest.pipeline import size_scan
from volest.scan.decision import decision_path, read_decision, read_told
from volest.settings import Settings
from volest.view.window import Window

PATIENCE_S = 90.0


@pytest.fixture
def scans(tmp_path: Path) -> list[Path]:
    bad = tmp_path / "bad.stl"
    bad.write_bytes(b"")
    return [
        write_bowl(tmp_path / "bowl.stl"),
        write_bowl(tmp_path / "sunk.stl", "sunk-sphere"),
        bad,
    ]


@pytest.fixture
def window(scans: list[Path], monkeypatch: pytest.MonkeyPatch) -> Iterator[Window]:
    need_drawing()
    monkeypatch.setenv("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    opened = Window(scans, Settings(), off_screen=True)
    yield opened
    opened.plotter.close()


def words(window: Window, name: str) -> str:
    return " ".join(str(window.plotter.actors[name].input).split())


def words_of_corner(window: Window, name: str) -> str:
    actor = window.plotter.actors[name]
    return " ".join(" ".join(actor.GetText(k) or "" for k in range(8)).split())


def test_blocks_come_and_go_with_what_there_is_to_see(window: Window) -> None:
    plain = {"impression", "stone", "base line"}
    assert set(window.blocks) == plain
    assert plain | {"base sheet", "legend"} <= set(window.plotter.actors)
    window.move_by(height_mm=-3.0)
    assert set(window.blocks) == plain | {"excess"}
    window.toggle_cut()
    assert set(window.blocks) == plain | {"excess", "cut face"}
    assert set(window.blocks) <= set(window.plotter.actors)
    window.toggle_cut()
    window.hold(type(window.handling.held)())  # type: ignore[union-attr]  # it is measured
    assert set(window.blocks) == plain
    assert not {"excess", "cut face"} & set(window.plotter.actors)


def test_figures_follow(window: Window) -> None:
    before = words_of_corner(window, "figures")
    assert "16.7 mL" in before  # 2/3 pi r^3 of r = 20 mm is 16.76; the facets lie inside of it
    window.move_by(height_mm=-3.0)
    assert words_of_corner(window, "figures") != before
    assert "changed, not saved" in words(window, "told")
    assert "-3.0 mm" in words_of_corner(window, "head")


def test_next_and_before_and_a_refused_one(window: Window) -> None:
    window.turn_to(1)
    assert "undercuts" in window.blocks
    window.turn_to(2)
    assert window.blocks == {}
    assert "refused" in words(window, "told")
    window.save()
    window.toggle_cut()
    window.move_cut(1.0)
    window.move_by(height_mm=1.0)
    window.turn_to(3)  # there is none
    assert window.number == 2
    window.turn_to(0)
    assert "stone" in window.blocks


def test_a_moved_line_is_kept_while_others_are_looked_at(window: Window) -> None:
    window.move_by(height_mm=-3.0)
    figures = words_of_corner(window, "figures")
    window.turn_to(1)
    assert "changed" not in words(window, "told")
    assert window.unsaved() == [window.scans[0][0]]
    window.turn_to(0)
    assert words_of_corner(window, "figures") == figures
    assert "changed, not saved" in words(window, "told")
    window.save()
    assert window.unsaved() == []


def test_a_scan_that_no_bowl_takes_does_not_end_the_window(
    scans: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    need_drawing()
    monkeypatch.setenv("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    # One of the bowls takes two mixes of 10.2 mL, as long as the line is not raised.
    lab = Lab(bowl=(Bowl(name="small", most_ml=10.2),))
    opened = Window(scans, Settings(lab=lab), off_screen=True)
    opened.move_by(height_mm=1.0)
    assert "the largest bowl takes 10.2 mL" in words(opened, "told")
    assert "powder" not in words_of_corner(opened, "figures")
    opened.settings = Settings(lab=Lab(bowl=(Bowl(name="tiny", most_ml=5),)))
    opened.turn_to(1)
    assert "no mix: found" in words(opened, "told")
    assert "5 mL" in words(opened, "told")
    opened.plotter.close()


def test_every_key_is_listed_and_words_can_be_hidden(window: Window) -> None:
    shown = words_of_corner(window, "keys")
    for key, (does, _) in window.keys().items():
        assert does in shown, key
    window.toggle_words()
    assert words_of_corner(window, "keys") == ""
    assert "legend" not in window.plotter.actors


def test_the_stone_is_seen_from_above(window: Window) -> None:
    window.look_from_above()
    pixels = np.asarray(window.plotter.screenshot(None, return_img=True)).astype(np.int64)
    middle = pixels[430:470, 680:720]  # the glass of the base line darkens it a little
    assert np.abs(middle - np.median(middle, axis=(0, 1))).max() <= 6
    red, green, blue = np.median(middle, axis=(0, 1))
    assert red > green > blue  # sand, and neither paper nor impression
    assert red - blue > 60


def point_at(window: Window, place_mm: tuple[float, float, float]) -> None:
    """Bring the pointer over a place of the drawing."""
    renderer = window.plotter.renderer
    renderer.SetWorldPoint(*place_mm, 1.0)
    renderer.WorldToDisplay()
    x, y, _ = renderer.GetDisplayPoint()
    window.plotter.iren.interactor.SetEventInformation(round(x), round(y))


def test_prepared_teeth_are_marked_taken_back_and_saved_alone(window: Window) -> None:
    path, _ = window.scans[0]
    window.look_from_above()
    point_at(window, (5.0, 3.0, 0.0))  # over the stone: the mark lies under it
    window.mark()
    assert "Point at each prepared tooth" in words(window, "told")
    assert window.plotter.actors["stone"].prop.opacity < 0.5
    assert "prepared teeth" not in window.blocks
    window.mark()
    window.look_from_above()
    point_at(window, (-8.0, 0.0, 0.0))
    window.mark()
    assert "prepared teeth" in window.blocks
    assert "prepared teeth marked: 2" in words_of_corner(window, "head")
    assert "changed, not saved" in words(window, "told")
    assert window.unsaved() == [path]
    window.mark()  # once more at the same place
    assert "prepared teeth marked: 1" in words_of_corner(window, "head")
    window.save()
    (place,) = read_told(path).preparations
    # On the sphere of 20 mm round the middle of the rim, and seen from above where it was touched.
    frame = window.handling.cavity.frame  # type: ignore[union-attr]  # it is measured
    x, y, z = window.handling.stand.drawn(frame.to_frame(np.array(place)))  # type: ignore[union-attr]
    assert np.linalg.norm((x, y, z)) == pytest.approx(20.0, abs=0.1)
    assert (x, y) == pytest.approx((5.0, 3.0), abs=1.5)  # the eye stands over the middle
    assert read_decision(path) is None  # the line was not moved
    window.hold(type(window.handling.held)())  # type: ignore[union-attr]
    point_at(window, (90.0, 90.0, 0.0))
    window.mark()
    window.mark()
    assert "There is no impression" in words(window, "told")


def volest(*said: str, display: str) -> "subprocess.CompletedProcess[str]":
    # Tests that drew before told VTK to look for no display; a user's shell has not.
    told = {"DISPLAY", "WAYLAND_DISPLAY", "VTK_DEFAULT_OPENGL_WINDOW"}
    env = {k: v for k, v in os.environ.items() if k not in told}
    env |= {"DISPLAY": display} if display else {}
    return subprocess.run(
        [*VOLEST, *said], env=env, capture_output=True, text=True, check=False, timeout=300
    )


def draws_in(display: str) -> bool:
    """Ask a small program: on a very busy computer a display has refused to draw."""
    words = "import pyvista as p; w = p.Plotter(off_screen=True); w.add_mesh(p.Cube()); w.show()"
    env = {**os.environ, "DISPLAY": display, "VTK_DEFAULT_OPENGL_WINDOW": "vtkXOpenGLRenderWindow"}
    for _ in range(3):
        ran = subprocess.run([sys.executable, "-c", words], env=env, check=False, timeout=120)
        if ran.returncode == 0:
            return True
        time.sleep(3.0)
    return False


@pytest.fixture
def display() -> Iterator[str]:
    need_drawing("Xvfb", "xdotool")
    reads, writes = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(writes), "-screen", "0", "1500x1000x24", "-nolisten", "tcp"],
        pass_fds=(writes,),
        stderr=subprocess.DEVNULL,
    )
    os.close(writes)
    with os.fdopen(reads) as told:
        number = told.readline().strip()
    if not draws_in(f":{number}"):
        server.terminate()
        server.wait(timeout=10)
        pytest.skip("this display server cannot draw with OpenGL now, asked three times")
    yield f":{number}"
    server.terminate()
    server.wait(timeout=10)


def hand(display: str, *said: str) -> str:
    ran = subprocess.run(
        ["xdotool", *said],
        env={**os.environ, "DISPLAY": display},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    return ran.stdout.strip()


def wait_for_blocks(log: Path, count: int) -> list[str]:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        found = re.findall(r"blocks: (.*)", log.read_text())
        if len(found) >= count:
            return found
        time.sleep(0.2)
    raise TimeoutError(log.read_text())


def wait_for_window(display: str) -> str:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        numbers = hand(display, "search", "--name", "volest").split()
        if numbers:
            time.sleep(2.0)  # until it takes keys
            return numbers[0]
        time.sleep(0.2)
    raise TimeoutError("no window")


def test_a_real_window_is_opened_moved_saved_and_obeyed(tmp_path: Path, display: str) -> None:
    path, log = write_bowl(tmp_path / "bowl.stl"), tmp_path / "log"
    env = {**os.environ, "DISPLAY": display}
    env.pop("VTK_DEFAULT_OPENGL_WINDOW", None)
    with log.open("w") as stream:
        run = subprocess.Popen([*VOLEST, "view", str(path), "--verbose"], env=env, stderr=stream)
    try:
        drawn = wait_for_blocks(log, 2)
        assert drawn[-1] == "impression, stone, base line"
        number = wait_for_window(display)
        hand(display, "mousemove", "700", "300", "windowfocus", number)
        for key in ("Next", "Next", "Next", "Up"):
            before = len(wait_for_blocks(log, 0))
            hand(display, "key", "--window", number, key)
            drawn = wait_for_blocks(log, before + 1)
        assert "excess" in drawn[-1]
        for blocks in ("excess", "excess, prepared teeth"):  # first the stone is looked through
            before = len(wait_for_blocks(log, 0))
            hand(display, "key", "p")  # where the pointer is
            drawn = wait_for_blocks(log, before + 1)
            assert drawn[-1].endswith(blocks)
        hand(display, "key", "--window", number, "s")
        wait_for_blocks(log, len(drawn) + 1)
        hand(display, "key", "--window", number, "Escape")
        assert run.wait(timeout=60) == 0
    finally:
        run.kill()
        run.wait()
    assert decision_path(path).is_file()
    assert len(read_told(path).preparations) == 1
    unmoved, after = size_scan(path, Settings(obey_saved=False)), size_scan(path, Settings())
    assert after.base_line is not None
    assert unmoved.base_line is not None
    assert after.base_line.how == "saved"
    off = np.array(after.base_line.point_mm) - unmoved.base_line.point_mm
    assert off @ np.array(after.base_line.normal) == pytest.approx(-2.9, abs=0.02)  # -3 x 1 + 0.1
