"""The picture's paper: two views side by side, with headline, scale, legend and figures."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from volest.result import Result
from volest.sheet.names import shortened, visible
from volest.sheet.rows import tenths
from volest.stone.in_words import bowl_in_words, powder_in_words, scoops_in_words, water_in_words
from volest.view.canvas import BAND_MM
from volest.view.scene import (
    BASE_LINE,
    CUT_FACE,
    DEPTHS,
    EXCESS,
    FAINT,
    IMPRESSION,
    INK,
    LOOKS,
    PAPER,
    Scene,
)

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

Pixels = npt.NDArray[np.uint8]
_HEAD, _EDGE = 150, 40
# The paper is 2000 px wide. On a card it is printed about 130 mm wide: 40 px are then 7 points.
_BIG, _MIDDLE, _SMALL, _LEAST = 54, 44, 40, 20
_STEPS_PX, _ROW_PX, _GAP_PX = 112, 66, 44
_SCALE_MM = 10.0
_LONGEST_NAME = 44
_DEPTHS_PX = 620
_SWATCH_PX = 76
_LEGEND_PX = 290


def lay_out(
    result: Result,
    scene: Scene,
    above: Pixels,
    cut: Pixels,
    mm_per_px: float,
    *,
    headed: bool = True,
) -> "Image":
    """Put both views (h, w, 3) on one paper; a pixel of that from above is `mm_per_px` wide."""
    from PIL import Image, ImageDraw

    height, width = above.shape[:2]
    head = _HEAD if headed else 0
    rows = _legend_rows([name for name in (*scene.blocks, CUT_FACE) if name in LOOKS], 2 * width)
    foot = _STEPS_PX + _ROW_PX * len(rows)
    paper = Image.new("RGB", (2 * width, head + height + foot), PAPER)
    paper.paste(Image.fromarray(above), (0, head))
    paper.paste(Image.fromarray(cut), (width, head))
    pen = ImageDraw.Draw(paper)
    if headed:
        _headline(pen, result, 2 * width)
    _write(pen, (_EDGE, head + 8), "from above", _SMALL, FAINT)
    _write(pen, (width + _EDGE, head + 8), "cut open, seen from the back", _SMALL, FAINT)
    _dial(pen, width, head, head + height)
    _ruler(pen, width, head + height, mm_per_px)
    _depth_steps(pen, scene, head + height)
    for k, row in enumerate(rows):
        _legend(pen, row, head + height + _STEPS_PX + _ROW_PX * k)
    return paper


def _headline(pen: "ImageDraw", result: Result, width: int) -> None:
    from PIL import ImageFont

    name = shortened(visible(Path(result.name).name), _LONGEST_NAME)
    amounts = mix_words(result)
    _write(pen, (_EDGE, 20), name, _BIG, INK)
    volume_ml, low_ml, high_ml = result.volume_ml, result.volume_low_ml, result.volume_high_ml
    assert volume_ml is not None  # noqa: S101  # only measured scans are drawn
    assert low_ml is not None  # noqa: S101  # the same
    assert high_ml is not None  # noqa: S101  # the same
    held = volume_words(volume_ml, low_ml, high_ml)
    _write(pen, (width - _EDGE, 20), held, _BIG, INK, anchor="ra")
    codes = [visible(note.code) for note in result.notes]
    least = look_at_words(codes, 1) if codes else ""
    size, room = _MIDDLE, 0.0
    for size in range(_MIDDLE, _LEAST, -2):  # long names of stones, mixes in several bowls' loads
        font = ImageFont.load_default(size)
        room = width - 2 * _EDGE - _GAP_PX - font.getlength(amounts)
        if font.getlength(least) <= room:
            break
    _write(pen, (width - _EDGE, 88), amounts, size, INK, anchor="ra")
    words = (look_at_words(codes, told) for told in range(len(codes), 0, -1))
    fits = next((some for some in words if some == least or font.getlength(some) <= room), "")
    _write(pen, (_EDGE, 88), fits, size, LOOKS[EXCESS].colour)


def look_at_words(codes: Sequence[str], told: int) -> str:
    """Name the first codes of the notes, and say how many more there are.

    >>> look_at_words(["ragged-rim", "air-trap", "open-heel"], 2)
    'look at: ragged-rim, air-trap and 1 more'
    """
    more = f" and {len(codes) - told} more" if told < len(codes) else ""
    return f"look at: {', '.join(codes[:told])}{more}"


def volume_words(volume_ml: float, low_ml: float, high_ml: float) -> str:
    """Say a volume and the interval it lies in, as the table does.

    >>> volume_words(50.82, 50.26, 51.31)
    '50.8 mL (50.2-51.4)'
    """
    low, high = tenths(low_ml, math.floor), tenths(high_ml, math.ceil)
    return f"{tenths(volume_ml, round)} mL ({low}-{high})"


def mix_words(result: Result) -> str:
    """Say the mix in one line, water first, since it goes into the bowl first."""
    mix = result.mix
    assert mix is not None  # noqa: S101  # only measured scans are drawn
    each = f"{mix.mixes} mixes, each: " if mix.mixes > 1 else ""
    amounts = f"water {water_in_words(mix)}, powder {powder_in_words(mix)} {mix.stone}"
    return ", ".join(filter(None, [f"{each}{amounts}: {scoops_in_words(mix)}", bowl_in_words(mix)]))


def _dial(pen: "ImageDraw", width: int, top: int, bottom: int) -> None:
    middle = (top + bottom) / 2
    spots = {
        "12": (width / 2, top + 10, "ma"),
        "3": (width - 14, middle, "rm"),
        "6": (width / 2, bottom - 6, "ms"),
        "9": (14, middle, "lm"),
    }
    for hour, (x, y, anchor) in spots.items():
        _write(pen, (x, y), hour, _MIDDLE, FAINT, anchor=anchor)


def _ruler(pen: "ImageDraw", width: int, bottom: int, mm_per_px: float) -> None:
    # In the corner, where the impression's own margin leaves the view free.
    long = _SCALE_MM / mm_per_px
    right, y = width - _EDGE, bottom - 22
    pen.line([(right - long, y), (right, y)], fill=INK, width=5)
    for x in (right - long, right):
        pen.line([(x, y - 9), (x, y + 9)], fill=INK, width=3)
    _write(pen, (right - long - 14, y), f"{_SCALE_MM:.0f} mm", _SMALL, INK, anchor="rm")


def _depth_steps(pen: "ImageDraw", scene: Scene, top: int) -> None:
    from matplotlib.colors import LinearSegmentedColormap, to_hex

    low = BAND_MM * float(np.floor(scene.blocks[IMPRESSION].heights_mm.min() / BAND_MM))
    steps = max(round(-low / BAND_MM), 2)
    colours = LinearSegmentedColormap.from_list("depths", DEPTHS, N=steps)
    wide, y = _DEPTHS_PX / steps, top + 12
    for k in range(steps):
        x = _EDGE + wide * k
        box = [(x, y), (x + wide, y + 34)]
        pen.rectangle(box, fill=to_hex(colours(k / (steps - 1))), outline=INK)
        if k % 2 == 0 and k < steps - 1:
            _write(pen, (x, y + 40), f"{-low - k * BAND_MM:.0f}", _SMALL, INK, anchor="ma")
    _write(pen, (_EDGE + wide * steps, y + 40), "0", _SMALL, INK, anchor="ma")
    words = (_EDGE + _DEPTHS_PX + 24, y + 17)
    _write(pen, words, "mm under the base line", _SMALL, INK, anchor="lm")


def _legend_rows(names: Sequence[str], width: int) -> list[list[tuple[str, float]]]:
    """Deal the names out to as many rows as they need, each with its place."""
    from PIL import ImageFont

    font = ImageFont.load_default(_SMALL)
    rows: list[list[tuple[str, float]]] = [[]]
    x = float(_EDGE)
    for name in names:
        wide = _SWATCH_PX + font.getlength(LOOKS[name].says)
        if rows[-1] and x + wide > width - _EDGE:
            rows.append([])
            x = float(_EDGE)
        rows[-1].append((name, x))
        x += wide + _GAP_PX
    return rows


def _legend(pen: "ImageDraw", row: Sequence[tuple[str, float]], y: int) -> None:
    for name, x in row:
        _swatch(pen, x, y, name)
        _write(pen, (x + _SWATCH_PX, y + 22), LOOKS[name].says, _SMALL, INK, anchor="lm")


def legend_of(names: Sequence[str]) -> "Image":
    """Draw a legend for a window, one line a name."""
    from PIL import Image, ImageDraw

    step = 52
    paper = Image.new("RGB", (_LEGEND_PX, step * len(names) + 16), PAPER)
    pen = ImageDraw.Draw(paper)
    for k, name in enumerate(names):
        _swatch(pen, 8, 8 + step * k, name)
        _write(pen, (8 + _SWATCH_PX, 30 + step * k), LOOKS[name].says, 22, INK, anchor="lm")
    return paper


def _swatch(pen: "ImageDraw", x: float, y: float, name: str) -> None:
    look = LOOKS[name]
    wide, tall = 60, 44
    if name == BASE_LINE:
        pen.line([(x, y + tall / 2), (x + wide, y + tall / 2)], fill=look.colour, width=7)
    elif look.shape == "dots":
        for k in range(3):
            pen.ellipse([(x + 22 * k, y + 14), (x + 22 * k + 16, y + 30)], fill=look.colour)
    elif look.shape == "ball":
        pen.ellipse([(x + 8, y), (x + 52, y + tall)], fill=look.colour, outline=INK)
    elif look.shape == "pegs":
        for k in range(3):
            left = x + 21 * k
            pen.polygon([(left, y + 4), (left + 16, y + 4), (left + 8, y + 32)], fill=look.colour)
        pen.line([(x, y + 37), (x + wide, y + 37)], fill=look.colour, width=6)
    elif look.shape == "fence":
        pen.rectangle([(x, y + 18), (x + wide, y + tall)], fill=look.colour)
        for k in range(4):
            pen.rectangle([(x + 17 * k, y), (x + 17 * k + 8, y + tall)], fill=look.colour)
    else:
        pen.rectangle([(x, y), (x + wide, y + tall)], fill=look.colour, outline=INK)


def _write(
    pen: "ImageDraw",
    place: tuple[float, float],
    text: str,
    size: int,
    colour: str,
    *,
    anchor: str = "la",
) -> None:
    from PIL import ImageFont

    pen.text(place, text, font=ImageFont.load_default(size), fill=colour, anchor=anchor)
