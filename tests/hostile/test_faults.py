"""The fault machine (`faults.py`): a disk that fails, is full or dies at each call."""

import shutil
import tempfile
from pathlib import Path

import pytest

from tests.hostile.faults import COMMANDS, MODES, memory_disk, run_all

LEAST_POINTS = {"size": 300, "watch": 280, "log": 80, "save": 40}


@pytest.mark.slow
@pytest.mark.parametrize("command", [command.name for command in COMMANDS])
def test_every_point(command: str) -> None:
    if shutil.which("cc") is None:
        pytest.skip("apt-get install gcc libc6-dev")
    with tempfile.TemporaryDirectory(dir=memory_disk()) as folder:
        points = run_all(Path(folder), only=command)
    assert not [point for point in points if point["wrong"]]
    assert {point["mode"] for point in points} == set(MODES)
    assert len(points) >= LEAST_POINTS[command]
