"""Whether this computer can draw: asked in another process, since a missing library ends one."""

import functools
import os
import subprocess
import sys

from volest.errors import UsageError

_TRIAL = """
import os, ctypes, sys
missing = []
for name, package in {libraries!r}:
    try:
        ctypes.CDLL(name)
    except OSError:
        missing.append(package)
if missing:
    print(*missing)
    sys.exit(3)
import pyvista
plotter = pyvista.Plotter(off_screen=True, window_size=(40, 40))
plotter.add_mesh(pyvista.Cube())
sys.exit(0 if plotter.screenshot(None, return_img=True).std() > 0 else 4)
"""
# What the wheel of VTK opens when it draws, and the package of Debian 12 that holds it.
_OFF_SCREEN = (("libX11.so.6", "libx11-6"), ("libGL.so.1", "libgl1"), ("libEGL.so.1", "libegl1"))
_IN_WINDOW = _OFF_SCREEN[:2]
_PATIENCE_S = 120.0
_OFF_SCREEN_WINDOW = {"VTK_DEFAULT_OPENGL_WINDOW": "vtkEGLRenderWindow"}
# Only tried, so that no window flashes up; it needs the display all the same.
_TRIAL_WINDOW = {"VTK_DEFAULT_OPENGL_WINDOW": "vtkXOpenGLRenderWindow"}


def draw_off_screen() -> None:
    """Tell VTK to look for no display where there is none; else it complains first."""
    if not os.environ.get("DISPLAY"):
        os.environ.update(_OFF_SCREEN_WINDOW)


@functools.cache
def refuse_blind(*, off_screen: bool) -> None:
    """Make sure that drawing works here, else raise in one line with every package to install."""
    ran = _tried(off_screen=off_screen)
    if ran.returncode and not ran.stdout.strip():
        ran = _tried(off_screen=off_screen)  # a busy computer or a display that is just waking up
    if ran.returncode:
        raise _blind(ran.stdout.strip(), ran.stderr, off_screen=off_screen)


def _tried(*, off_screen: bool) -> "subprocess.CompletedProcess[str]":
    trial = _TRIAL.format(libraries=_OFF_SCREEN if off_screen else _IN_WINDOW)
    try:
        return subprocess.run(  # noqa: S603  # our own words to our own Python
            [sys.executable, "-c", trial],
            env=_surroundings(off_screen=off_screen),
            capture_output=True,
            text=True,
            check=False,
            timeout=_PATIENCE_S,
        )
    except subprocess.TimeoutExpired:
        return subprocess.CompletedProcess([], 1, "", "")


def _surroundings(*, off_screen: bool) -> dict[str, str]:
    return {**os.environ, **(_OFF_SCREEN_WINDOW if off_screen else _TRIAL_WINDOW)}


def _blind(packages: str, told: str, *, off_screen: bool) -> UsageError:
    if "No module named" in told:
        return UsageError(
            "no pyvista",
            needed="it to draw",
            remedy="in the folder of volest: .venv/bin/pip install '.[picture]'",
        )
    if packages:
        return UsageError(
            f"no {packages}", needed="it to draw", remedy=f"apt-get install {packages}"
        )
    where = "off screen" if off_screen else "in a window"
    packages = " ".join(package for _, package in (_OFF_SCREEN if off_screen else _IN_WINDOW))
    return UsageError(
        f"a computer that cannot draw {where}",
        needed="OpenGL" if off_screen else "OpenGL and a display (DISPLAY)",
        remedy=f"apt-get install {packages}"
        + ("" if off_screen else ", or use `volest picture`, which needs no display"),
    )
