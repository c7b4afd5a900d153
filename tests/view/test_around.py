"""Strip and outline: places, sizes and figures against closed forms, and a page that prints true.

Rims are circles, ellipses and triangles cut by manifold3d; a circle over a leaning plane stands
r sin(lean) cos(angle) over it.
"""

import math
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from click.testing import CliRunner
from manifold3d import Manifold
from scipy.spatial import cKDTree

from tests.cavity.trays import Floats, Tray, corners_of, hull, turned
from tests.machine import need_drawing
from tests.scan.writers import stl_binary
from tests.view.bowls import looked_at, write_bowl
from tests.view.browser import browser
from tests.view.test_page import PX_PER_IN, as_paper, pages
from volest.cli.main import volest_group
from volest.errors import UsageError
from volest.pipeline import Cavity, examine, guided
from volest.result import Guide, Result
from volest.settings import Settings, parse_base
from volest.view.around import outline, strip

LEAN_DEG, CREST_MM = 4.0, 21.6


def cup() -> Manifold:
    """Turn a cup whose crest, at z = 0, is 1.2 mm wide: a cell is lower on a sharp one."""
    outside = [(0.0, -24.0), (24.0, -24.0), (24.0, -3.0), (CREST_MM + 0.6, 0.0)]
    return turned([*outside, (CREST_MM - 0.6, 0.0), (20.0, -3.0), (18.0, -18.0), (0.0, -20.0)])


def seen(
    file: Path, triangles: Floats, base: str = "rim", pitch_mm: float = 0.4
) -> tuple[Result, Cavity, Guide]:
    file.write_bytes(stl_binary(triangles.astype(np.float32)))
    settings = Settings(base=parse_base(base), pitch_mm=pitch_mm)
    result, cavity = examine(file, settings)
    result, guide = guided(result, cavity, settings)
    return result, cavity, guide


@pytest.fixture(scope="module")
def leaning(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Cavity, Guide]:
    lean = math.radians(LEAN_DEG)
    base = f"plane=0,0,0,{math.sin(lean)},0,{math.cos(lean)}"
    return seen(tmp_path_factory.mktemp("cup") / "cup.stl", corners_of(cup()), base)


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314  # of our own making


def corners(path: str) -> Floats:
    """Give the corners of a path of one move and steps from there."""
    start, steps = re.fullmatch(r"M([\d. -]+)l([\d. e-]+)z?", path).groups()  # type: ignore[union-attr]
    figures = np.array([*map(float, start.split()), *map(float, steps.split())]).reshape(-1, 2)
    return np.cumsum(figures, axis=0)


def drawn(svg: str, kind: str) -> list[Floats]:
    """Give the lines of a kind on an outline, (n, 2) in mm, up is ahead."""
    paths = parsed(svg).findall(f".//{{*}}path[@class='{kind}']")
    return [corners(path.attrib["d"]) * (1.0, -1.0) for path in paths]


def texts(svg: str) -> list[str]:
    return ["".join(one.itertext()) for one in parsed(svg).findall(".//{*}text")]


def apart_mm(one: Floats, other: Floats) -> float:
    """Give the farthest that two closed lines are from each other, middle on middle."""
    dense = []
    for line in (one, other):
        closed = np.vstack([line, line[:1]])
        length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1)))
        at = np.arange(0.0, length[-1], 0.1)
        places = np.stack([np.interp(at, length, side) for side in closed.T], axis=1)
        dense.append(places - places.mean(axis=0))
    return max(float(cKDTree(a).query(b)[0].max()) for a, b in (dense, dense[::-1]))


def laid_best(truth: Floats, line: Floats) -> float:
    """Give how far a line is from a true one, however that is turned; mirrored it never is."""
    best = min(range(0, 360, 3), key=lambda k: apart_mm(turned_by(truth, k), line))
    return min(apart_mm(turned_by(truth, best + k), line) for k in np.arange(-3.0, 3.1, 0.25))


def turned_by(line: Floats, degrees: float) -> Floats:
    a = math.radians(degrees)
    return np.asarray(line @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]))


@pytest.mark.parametrize(
    ("name", "half_mm", "block_mm2"),
    [("frustum", (25.0, 25.0), 62.0**2), ("half-ellipsoid", (30.0, 22.0), 72.0 * 56.0)],
)
def test_an_outline_has_the_size_of_the_bowl(
    folder: Path, name: str, half_mm: tuple[float, float], block_mm2: float
) -> None:
    svg = outline(looked_at(folder, name)[1], name)
    root = parsed(svg)
    wide, tall = (float(root.attrib[side].removesuffix("mm")) for side in ("width", "height"))
    assert root.attrib["viewBox"] == f"0 0 {wide:g} {tall:g}"  # a unit of it is a mm
    (inner,) = drawn(svg, "inner")
    angle = np.linspace(0.0, 2.0 * math.pi, 121)[:-1]
    truth = np.stack([half_mm[0] * np.cos(angle), half_mm[1] * np.sin(angle)], axis=1)
    assert laid_best(truth, inner) < 0.3
    (block,) = drawn(svg, "seen")
    x, y = block.T
    area = abs(float(x @ np.roll(y, 1) - y @ np.roll(x, 1))) / 2.0
    assert area == pytest.approx(block_mm2, rel=0.01)


def test_an_outline_is_not_mirrored(tmp_path: Path) -> None:
    # No turn brings a triangle of three different sides onto its mirror image.
    top = np.array([(-25.0, -15.0), (30.0, -15.0), (-10.0, 30.0)])
    ends = [(x * share, y * share, z) for x, y in top for share, z in ((1.0, 0.0), (0.8, -15.0))]
    tray = Tray(name="scalene", cavity=hull(ends), formula_ml=0.0)
    _, cavity, _ = seen(tmp_path / "scalene.stl", tray.triangles(is_open=True))
    (inner,) = drawn(outline(cavity, "scalene"), "inner")
    assert laid_best(top, inner) < 1.5  # its corners are rounded a little
    assert laid_best(top * (-1.0, 1.0), inner) > 3.0


def test_a_rim_over_a_leaning_plane_is_a_sine(leaning: tuple[Result, Cavity, Guide]) -> None:
    svg = strip(*leaning[1:])
    most_mm = CREST_MM * math.sin(math.radians(LEAN_DEG))
    scale = {text: float(one.attrib["y"]) for one, text in _placed(svg)}
    top, foot = scale[f"+{most_mm:.1f} mm"], scale[f"-{most_mm:.1f} mm"]
    course = [
        corners(path.attrib["d"]) for path in parsed(svg).findall(".//{*}path[@stroke-width='1.1']")
    ]
    x, y = np.concatenate(course).T
    left, right = (_x_of(svg, "6", at) for at in (0, -1))
    hour = (x - left) / (right - left) * 12.0 - 6.0
    over = (y + 3.0 - (top + foot) / 2.0) / (foot - top) * -2.0 * most_mm
    angle = hour * math.pi / 6.0
    wave = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    parts, *_ = np.linalg.lstsq(wave, over, rcond=None)
    assert math.hypot(*parts) == pytest.approx(most_mm, abs=0.05)
    assert np.abs(over - wave @ parts).max() < 0.1


def _placed(svg: str) -> list[tuple[ET.Element, str]]:
    every = parsed(svg).findall(".//{*}text")
    return [(one, "".join(one.itertext())) for one in every]


def _x_of(svg: str, text: str, at: int) -> float:
    return float([one for one, told in _placed(svg) if told == text][at].attrib["x"])


def test_strip_outline_and_guide_tell_the_same(leaning: tuple[Result, Cavity, Guide]) -> None:
    result, cavity, guide = leaning
    assert result.trim is not None
    (work,) = result.trim.works  # under the plane the rim lies 1.5 mm at most
    # It is off by more than 1 mm where cos(angle) > 1 / 1.5.
    arc_mm = 2.0 * math.acos(1.0 / (CREST_MM * math.sin(math.radians(LEAN_DEG)))) * CREST_MM
    assert work.length_mm == pytest.approx(arc_mm, rel=0.1)
    told = f"cut {work.length_mm:.0f} mm"
    far = f"{work.most_mm:.1f} mm off"
    svg, laid = strip(cavity, guide), outline(cavity, "cup")
    assert f"{told} {far}" in texts(svg)
    assert any(f"A {told}" in text and far in text for text in texts(laid))
    steps = (np.diff(line, axis=0) for line in drawn(laid, "cut"))
    length_mm = sum(float(np.linalg.norm(each, axis=1).sum()) for each in steps)
    assert length_mm == pytest.approx(arc_mm, rel=0.1)
    # Middle of the arc and the strip's pegs lie at the hour that the trim guide names.
    marks = parsed(svg).findall(".//{*}path[@fill='#d55e00']")
    pegs = "".join(one.attrib["d"] for one in marks if "l-2.5-5h5z" in one.attrib["d"])
    x = np.array([float(one) for one in re.findall(r"M([\d.]+) ", pegs)])
    left, right = (_x_of(svg, "6", at) for at in (0, -1))
    hours = {round((at - left) / (right - left) * 12.0 - 6.0 - 1) % 12 + 1 for at in x}
    assert hours <= set(work.hours)
    assert len(hours) >= len(work.hours) - 1


def test_undercuts_stand_at_their_hours(folder: Path) -> None:
    # A ball of r = 20 sunk until its opening has r = 12: 8 mm of overhang all round.
    result, cavity = looked_at(folder, "sunk-sphere")
    _, guide = guided(result, cavity, Settings())
    svg = strip(cavity, guide)
    figures = [float(text) for text in texts(svg) if re.fullmatch(r"\d+\.\d", text)]
    deep_mm = {one.hour % 12: one.deep_mm for one in guide.separation.hours}
    assert figures == [round(deep_mm[(hour + 6) % 12], 1) for hour in range(12)]
    assert np.median(figures) == pytest.approx(8.0, abs=0.3)
    assert "undercut, mm" in texts(svg)
    assert not any("patient" in text for text in texts(svg))
    for right, sides in ((True, ("left", "right")), (False, ("right", "left"))):
        told = _placed(strip(cavity, guide, right_is_one_to_five=right))
        hours = {text: float(one.attrib["x"]) for one, text in told}
        assert hours["9"] == hours[f"patient's {sides[0]}"]
        assert hours["3"] == hours[f"patient's {sides[1]}"]


def test_of_a_level_bowl_there_is_nothing_to_tell(folder: Path) -> None:
    result, cavity = looked_at(folder)
    assert strip(cavity, guided(result, cavity, Settings())[1]) == ""


def test_an_outline_that_no_page_holds_is_refused(tmp_path: Path) -> None:
    dish = Manifold.cylinder(30, 70, 80, 128).translate((0, 0, -30))
    dish_tray = Tray(name="dish", cavity=dish, formula_ml=0.0)
    _, cavity, _ = seen(tmp_path / "dish.stl", dish_tray.triangles(is_open=True), pitch_mm=1.0)
    with pytest.raises(UsageError, match=r"an outline of 2\d\d x 2\d\d mm"):
        outline(cavity, "dish")


@pytest.mark.parametrize("name", ["outline.png", "outline"])
def test_an_outline_is_an_svg(tmp_path: Path, name: str) -> None:
    ran = CliRunner().invoke(volest_group, ["show", "a.stl", "--outline", str(tmp_path / name)])
    assert ran.exit_code == 2
    assert "outline named" in ran.stderr


@pytest.mark.slow
def test_an_outline_prints_at_true_size_on_one_page(tmp_path: Path) -> None:
    need_drawing("chromium")
    write_bowl(tmp_path / "bowl.stl", "half-ellipsoid")
    target = tmp_path / "bowl.svg"
    call = ["show", str(tmp_path / "bowl.stl"), "--outline", str(target), "--base", "rim=-2"]
    ran = CliRunner().invoke(volest_group, call)
    assert ran.exit_code == 0, ran.output
    box = "getBoundingClientRect()"
    ends = f"[...document.querySelectorAll('text')].map((t) => t.{box}.right)"
    asked = f"(() => {{ const b = document.documentElement.{box}; return [b.width, b.height] }})()"
    with browser(tmp_path / "profile") as page:
        page.open(target)
        for wide_in, tall_in in ((8.27, 11.69), (8.5, 11.0)):
            assert pages(page.pdf(wide_in, tall_in)) == 1
            with as_paper(page, wide_in, tall_in) as room_px:
                bar_px = page.ask(f"document.querySelector('.bar').{box}.width")
                wide_px, tall_px = page.ask(asked)
                out_px = page.ask(f"Math.max(...{ends})")
            assert bar_px == pytest.approx(50.0 / 25.4 * PX_PER_IN, abs=0.1)
            assert wide_px <= (wide_in - 20 / 25.4) * PX_PER_IN
            assert tall_px <= room_px
            assert out_px <= wide_px  # no words run out of the page
