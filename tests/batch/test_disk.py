"""Disks that are full or may not be written: told in one line, and the figures are still shown."""

import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.batch.small import fill

ROOT = Path(__file__).parents[2]
WORDS = ["--pitch", "1", "--no-sheet", "--workers", "2"]


def size(folder: Path, out: Path, before: str = "") -> "subprocess.CompletedProcess[str]":
    code = f"{before}\nfrom volest.cli.main import main\nmain()"
    return subprocess.run(
        [sys.executable, "-c", code, "size", str(folder), "--out", str(out), *WORDS],
        cwd=ROOT,
        # What is cut short here must not be what others import: CPython 3.11 keeps it.
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """Mount a disk that holds less than the results of the scans."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=160k", "tmpfs", str(disk)]
    if subprocess.run(words, capture_output=True, check=False).returncode != 0:
        pytest.skip("no right to mount here; the limit on files is tested below")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.mark.slow
def test_a_disk_that_fills_up(tmp_path: Path, tiny_disk: Path) -> None:
    fill(tmp_path / "scans", 30)
    ran = size(tmp_path / "scans", tiny_disk / "out")
    assert ran.returncode == 2, ran.stderr
    assert "30 scans: 30 measured" in ran.stdout
    assert "volest: found" in ran.stderr
    assert "Traceback" not in ran.stderr
    subprocess.run(["mount", "-o", "remount,size=20m", str(tiny_disk)], check=True)
    again = size(tmp_path / "scans", tiny_disk / "out")  # with room, it goes on where it stood
    assert again.returncode == 0, again.stderr
    assert "unchanged since an earlier run" in again.stderr


def test_files_that_may_not_grow(tmp_path: Path) -> None:
    fill(tmp_path / "scans", 12)
    limit = (
        "import resource, signal\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))"
    )
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    ran = size(tmp_path / "scans", tmp_path / "out", limit)
    assert ran.returncode == 2, ran.stderr
    assert "12 scans: 12 measured" in ran.stdout, ran.stdout + ran.stderr
    assert "Traceback" not in ran.stderr
    again = size(tmp_path / "scans", tmp_path / "out")
    assert again.returncode == 0, again.stderr


def test_an_output_that_is_a_file(tmp_path: Path) -> None:
    fill(tmp_path / "scans", 2)
    (tmp_path / "out").write_text("something of somebody's")
    ran = size(tmp_path / "scans", tmp_path / "out")
    assert ran.returncode == 2
    assert ran.stderr.count("\n") == 1
    assert (tmp_path / "out").read_text() == "something of somebody's"


def test_an_output_that_may_only_be_read(tmp_path: Path) -> None:
    fill(tmp_path / "scans", 2)
    shut = tmp_path / "shut"
    shut.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "ro,size=1m", "tmpfs", str(shut)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip("no right to mount here, and rights do not bind root")
    try:
        ran = size(tmp_path / "scans", shut / "out")
    finally:
        subprocess.run(["umount", "-l", str(shut)], check=True)
    assert ran.returncode == 2
    assert "Read-only file system" in ran.stderr
    assert ran.stderr.count("\n") == 1
