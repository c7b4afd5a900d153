"""What a page tells to type is typed, and what it shows is what is printed."""

import shutil
from pathlib import Path

import pytest

from tests.docs.fenced import DOCS, ROOT, missing, run_step, steps

SAMPLES = ROOT / "sample_meshes"
TODAY = {"b0422.stl": "b0422-lower-left-quadrant.stl", "b0436.ply": "b0436-lower-wavy-notch.ply"}
TUTORIAL = DOCS / "tutorial/first-pour.md"
PAGES = (
    "how-to/learning-waste.md",
    "how-to/odd-scans.md",
    "how-to/own-stones.md",
    "how-to/printing.md",
    "how-to/scanner-export.md",
    "how-to/scripting.md",
    "how-to/shared-mixes.md",
    "asked.md",
)


def _follow(page: Path, folder: Path) -> None:
    (folder / "sample_meshes").symlink_to(SAMPLES)
    for step in steps(page):
        gone = missing(step, run_step(step, folder))
        assert not gone, f"{page.name} shows what is not printed by\n{step.text}\n{gone}"


@pytest.mark.slow
def test_the_tutorial(tmp_path: Path) -> None:
    _follow(TUTORIAL, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["sample_meshes"]  # it clears up


def test_the_tutorial_sets_up_as_the_start_page_does() -> None:
    # The line is run word for word, from a clean copy, by .ci/run.
    told = TUTORIAL.read_text(encoding="utf-8").split("```sh\n")[1].split("\n```")[0]
    assert told in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("name", PAGES)
def test_a_page(name: str, tmp_path: Path) -> None:
    (tmp_path / "today").mkdir()
    for short, sample in TODAY.items():
        shutil.copy(SAMPLES / sample, tmp_path / "today" / short)
    _follow(DOCS / name, tmp_path)
