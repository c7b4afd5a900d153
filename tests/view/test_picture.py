"""Pictures, drawn for real: not blank, stone where stone is; and no picture without libraries."""

import signal
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner
from PIL import Image

from tests.machine import need_drawing
from tests.view.bowls import looked_at, write_bowl
from volest.cli.main import volest_group
from volest.errors import UsageError
from volest.scan.decision import write_preparations
from volest.view import picture
from volest.view.scene import INK, LOOKS, PAPER, scene_of


def colour(text: str) -> npt.NDArray[np.int64]:
    return np.array([int(text[k : k + 2], 16) for k in (1, 3, 5)])


def drawn(tmp_path: Path, *words: str) -> npt.NDArray[np.int64]:
    need_drawing()
    write_bowl(tmp_path / "bowl.stl")
    target = tmp_path / "bowl.png"
    call = ["show", str(tmp_path / "bowl.stl"), "--picture", str(target), *words]
    ran = CliRunner().invoke(volest_group, call)
    assert ran.exit_code == 0, ran.output
    assert "Heights of the rim" in ran.stdout
    with Image.open(target) as image:
        return np.asarray(image.convert("RGB")).astype(np.int64)


def near(pixels: npt.NDArray[np.int64], wanted: str) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(pixels - colour(wanted)).max(axis=-1) <= 6)


def test_stone_is_where_stone_is(tmp_path: Path) -> None:
    pixels = drawn(tmp_path, "--base", "rim=-2")
    views = pixels[150:1050]
    above, cut = views[:, :1000], views[:, 1000:]
    for view in (above, cut):
        assert view.std() > 20
        assert not near(view, PAPER).all()
    # Seen into the cut of a bowl, the cut stone lies in the middle, its top over that.
    middle = cut[:, 480:520]
    face = np.flatnonzero(near(middle, LOOKS["cut face"].colour).all(axis=1))
    top = np.flatnonzero(near(middle, LOOKS["stone"].colour).all(axis=1))
    assert len(face) > 100
    assert len(top) > 50
    assert top.max() <= face.min()
    assert not near(above, LOOKS["stone"].colour).any()  # from above heights are shown
    assert near(above, LOOKS["excess"].colour).sum() > 100


@pytest.mark.parametrize("cut_mm", [-6.0, 0.0, 6.0])
def test_the_view_from_above_shows_where_it_is_cut(folder: Path, cut_mm: float) -> None:
    result, cavity = looked_at(folder)
    blank = np.full((900, 1000, 3), 255, dtype=np.uint8)
    paper = picture.lay_out(
        result, scene_of(cavity), blank, blank, 0.1, cut_mm=cut_mm, headed=False
    )
    ink = near(np.asarray(paper).astype(np.int64), INK)
    for side in (slice(46, 110), slice(890, 954)):  # 10 px a mm, the bowl in the middle
        rows = np.flatnonzero(ink[100:800, side].any(axis=1)) + 100
        assert (rows.min() + rows.max()) / 2.0 == pytest.approx(450.0 - 10.0 * cut_mm, abs=6.0)


@pytest.mark.parametrize("name", ["out.txt", "out"])
def test_only_kinds_of_pictures_are_written(tmp_path: Path, name: str) -> None:
    ran = CliRunner().invoke(volest_group, ["show", "a.stl", "--picture", str(tmp_path / name)])
    assert ran.exit_code == 2
    assert "picture named" in ran.stderr


def test_missing_libraries_are_named_with_their_packages(monkeypatch: pytest.MonkeyPatch) -> None:
    none = (("libnone-of-ours.so.9", "libnone9"), ("libnone-either.so.3", "libnone3"))
    monkeypatch.setattr(picture, "_OFF_SCREEN", none)
    picture.refuse_blind.cache_clear()
    with pytest.raises(UsageError, match="apt-get install libnone9 libnone3"):
        picture.refuse_blind(off_screen=True)
    picture.refuse_blind.cache_clear()


def test_a_window_needs_a_display(monkeypatch: pytest.MonkeyPatch) -> None:
    need_drawing()
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    picture.refuse_blind.cache_clear()
    with pytest.raises(UsageError, match="DISPLAY"):
        picture.refuse_blind(off_screen=False)
    picture.refuse_blind.cache_clear()


@pytest.mark.slow
def test_without_a_display_pictures_are_drawn_and_nothing_is_overwritten(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    need_drawing()
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.chdir(tmp_path)
    picture.refuse_blind.cache_clear()
    day = tmp_path / "day"
    day.mkdir()
    write_bowl(day / "bowl.stl")
    (day / "empty.stl").write_bytes(b"")
    ran = CliRunner().invoke(volest_group, ["view", str(day)])
    picture.refuse_blind.cache_clear()
    assert ran.exit_code == 1, ran.output  # the empty one is refused
    assert "no window" in ran.stderr
    assert ran.stdout == "bowl.stl.png\n"
    drawn = Path("bowl.stl.png").read_bytes()
    assert drawn.startswith(b"\x89PNG")
    Path("bowl.stl.png").unlink()
    write_preparations(day / "bowl.stl", [(0.0, 0.0, -20.0)])
    CliRunner().invoke(volest_group, ["view", str(day / "bowl.stl")])
    assert Path("bowl.stl.png").read_bytes() != drawn  # its mark is in it
    Path("bowl.stl.png").write_bytes(b"somebody's own")
    again = CliRunner().invoke(volest_group, ["view", str(day / "bowl.stl")])
    assert "left alone" in again.stderr
    assert Path("bowl.stl.png").read_bytes() == b"somebody's own"


@pytest.mark.slow
def test_without_a_display_a_picture_that_cannot_be_written_does_not_cost_the_others(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    need_drawing()
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.chdir(tmp_path)
    picture.refuse_blind.cache_clear()
    long = tmp_path / f"{'a' * 250}.stl"  # as long as a name may be, so that .png is too much
    for scan in (long, tmp_path / "b.stl"):
        write_bowl(scan)
    ran = CliRunner().invoke(volest_group, ["view", str(tmp_path)])
    picture.refuse_blind.cache_clear()
    assert ran.exit_code == 1, ran.output
    assert "cannot be written" in ran.stderr
    assert ran.stdout.split() == ["b.stl.png"]
    assert Path("b.stl.png").is_file()


def _die(_: object) -> tuple[int, str]:
    signal.raise_signal(signal.SIGSEGV)
    return 0, ""


def test_a_process_that_dies_on_drawing_is_told_in_one_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(picture, "draw_once", _die)
    picture.refuse_blind.cache_clear()
    with pytest.raises(UsageError, match="libx11-6 libgl1 libegl1") as caught:
        picture.refuse_blind(off_screen=True)
    assert "\n" not in str(caught.value)
    picture.refuse_blind.cache_clear()
