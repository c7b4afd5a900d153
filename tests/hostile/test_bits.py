"""The bit machine: single bits of what a run has kept are flipped, and never change a figure."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from tests.batch.small import QUICK, fill
from volest import pipeline
from volest.batch.find import content_of
from volest.batch.store import OutFolder, key_of, run_mark
from volest.cli.main import volest_group
from volest.errors import ScanError
from volest.scan.decision import Decision, read_decision, write_decision

PLACES = 500


def flips(data: bytes, count: int) -> list[tuple[int, bytes]]:
    """Give copies with one bit flipped each, at places spread over the whole."""
    dice = random.Random(len(data))  # noqa: S311  # places, no secrets
    places = sorted(dice.sample(range(8 * len(data)), count))
    return [
        (bit, data[: bit // 8] + bytes([data[bit // 8] ^ 1 << bit % 8]) + data[bit // 8 + 1 :])
        for bit in places
    ]


def size(scans: Path, out: Path) -> Any:
    words = ["size", str(scans), "--out", str(out), "--pitch", "1"]
    return CliRunner().invoke(volest_group, words, obj=pipeline.size_scan)


def key(scan: Path) -> str:
    content = content_of(scan)
    assert content is not None
    return key_of(content, run_mark(QUICK))


def figures(out: Path) -> list[dict[str, Any]]:
    scans: list[dict[str, Any]] = json.loads((out / "results.json").read_text("utf-8"))["scans"]
    return [{**scan, "seconds": 0} for scan in scans]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with a run of two scans, with a sheet, in it."""
    folder = tmp_path_factory.mktemp("bits")
    fill(folder / "scans", 2)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("volest.run.Request.drawn", lambda one, _: one)
        ran = size(folder / "scans", folder / "out")
    assert ran.exit_code == 0, ran.output
    return folder


@pytest.mark.parametrize("ending", [".json", ".card.json"])
def test_no_flipped_bit_of_a_kept_file_is_believed(kept: Path, ending: str) -> None:
    scans = sorted((kept / "scans").iterdir())
    files = sorted((kept / "out" / ".volest" / "finished").iterdir())
    files = [file for file in files if file.name.partition(".")[2] == ending[1:]]
    assert len(files) == len(scans)
    for file in files:
        whole = file.read_bytes()
        owner = [scan for scan in scans if key(scan) == file.name.partition(".")[0]]
        assert len(owner) == 1
        for bit, flipped in flips(whole, PLACES):
            file.write_bytes(flipped)
            with OutFolder(kept / "out", QUICK, has_cards=True) as folder:
                assert folder.known(owner[0]) is None, (file.name, bit)
                assert folder.damaged == 1
        file.write_bytes(whole)


@pytest.mark.slow
def test_a_run_over_flipped_bits_gives_the_same_figures_and_says_so(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("volest.run.Request.drawn", lambda one, _: one)
    wanted = figures(kept / "out")
    for file in sorted((kept / "out" / ".volest" / "finished").iterdir()):
        whole = file.read_bytes()
        for _, flipped in flips(whole, 3):
            file.write_bytes(flipped)
            ran = size(kept / "scans", kept / "out")
            assert ran.exit_code == 0, ran.output
            assert figures(kept / "out") == wanted
            assert ran.stderr.count("were damaged") == 1
        assert "damaged" not in size(kept / "scans", kept / "out").stderr


def test_a_flipped_bit_of_a_saved_base_line_is_refused_or_changes_nothing(tmp_path: Path) -> None:
    (scan,) = fill(tmp_path, 1)
    saved = Decision(point_mm=(0.25, -0.5, -2.0), normal=(0.0, 0.0, 1.0))
    file = write_decision(scan, saved)
    whole = file.read_bytes()
    believed = []
    for bit, flipped in flips(whole, min(PLACES, 8 * len(whole))):
        file.write_bytes(flipped)
        try:
            found = read_decision(scan)
        except ScanError:
            continue
        if found != saved:
            believed.append((bit, found))
    assert not believed
