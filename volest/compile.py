"""Compile the loops, once for an installation: `python -m volest.compile`, started beside a run."""

import os

import numpy as np

from volest.api import measure
from volest.scan.compiling import SWITCH, compiled_mark
from volest.scan.stl import RECORD
from volest.system import give_way


def compile_loops() -> None:
    """Call all compiled loops by measuring a bowl, and leave a mark."""
    mark = compiled_mark()
    if mark is None:
        return
    os.environ[SWITCH] = "always"
    x, y = np.meshgrid(np.linspace(-34.0, 34.0, 137), np.linspace(-34.0, 34.0, 137))
    r = np.hypot(x, y)
    corners = np.stack([x, y, np.minimum(12.0 * (r / 24.0) ** 2 - 12.0, 24.0 - r)], axis=-1)
    a, b, c, d = corners[:-1, :-1], corners[:-1, 1:], corners[1:, 1:], corners[1:, :-1]
    triangles = np.concatenate([np.stack([a, b, c], axis=-2), np.stack([a, c, d], axis=-2)])
    triangles = triangles.reshape(-1, 3, 3)
    measure(triangles)
    records = np.zeros(len(triangles), RECORD)
    records["corners"] = triangles
    measure(bytes(80) + np.uint32(len(triangles)).tobytes() + records.tobytes())
    mark.parent.mkdir(parents=True, exist_ok=True)
    mark.touch()


if __name__ == "__main__":
    give_way()
    compile_loops()
