"""The fault machine (`faults.py`): a disk that fails, is full or dies at each call."""

import shutil
import tempfile
from collections import Counter
from pathlib import Path

import pytest

from tests.hostile.faults import COMMANDS, MODES, memory_disk, run_all

LEAST_POINTS = {"size": 300, "watch": 280, "log": 80, "save": 40}
SAMPLE = 40  # one in so many is tried where time is short


def run(share: int, only: str = "") -> Counter[tuple[str, str]]:
    """Run points, all of which must hold; count them by command and mode."""
    if shutil.which("cc") is None:
        pytest.skip("apt-get install gcc libc6-dev")
    with tempfile.TemporaryDirectory(dir=memory_disk()) as folder:
        points = run_all(Path(folder), share, only)
    assert not [point for point in points if point["wrong"]]
    return Counter((point["command"], point["mode"]) for point in points)


@pytest.mark.slow
@pytest.mark.parametrize("command", [command.name for command in COMMANDS])
def test_a_sample_of_the_points(command: str) -> None:
    assert set(run(SAMPLE if command != "save" else 5, command)) == {
        (command, mode) for mode in MODES
    }


@pytest.mark.slow
@pytest.mark.parametrize("command", [command.name for command in COMMANDS])
def test_every_point(command: str) -> None:
    assert run(1, command).total() >= LEAST_POINTS[command]
