"""The picture's paper: two views side by side, with headline, scale, legend and figures."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from volest.result import Result
from volest.sheet.names import shortened, visible
from volest.stone.in_words import scoops_in_words
from volest.stone.rounding import shown
from volest.view.canvas import BAND_MM
from volest.view.palette import DEPTHS, FAINT, INK, LOOKS, PAPER
from volest.view.scene import BASE_LINE, CUT_FACE, EXCESS, IMPRESSION, Scene

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

Pixels = npt.NDArray[np.uint8]
_HEAD, _FOOT, _EDGE = 150, 190, 40
_BIG, _MIDDLE, _SMALL = 46, 32, 26
_SCALE_MM = 10.0
_LONGEST_NAME = 48
_DEPTHS_PX = 480
_SWATCH_PX = 76
_LEGEND_PX = 290


def lay_out(result: Result, scene: Scene, above: Pixels, cut: Pixels, mm_per_px: float) -> "Image":
    """Put both views on one paper.

    Parameters
    ----------
    result : Result
        What volest says of the scan.
    scene : Scene
        What was drawn.
    above, cut : ndarray
        (h, w, 3) the two views.
    mm_per_px : float
        How many mm a pixel of the view from above is wide.

    Returns
    -------
    PIL.Image.Image
        The whole.
    """
    from PIL import Image, ImageDraw

    height, width = above.shape[:2]
    paper = Image.new("RGB", (2 * width, height + _HEAD + _FOOT), PAPER)
    paper.paste(Image.fromarray(above), (0, _HEAD))
    paper.paste(Image.fromarray(cut), (width, _HEAD))
    pen = ImageDraw.Draw(paper)
    _headline(pen, result, 2 * width)
    _write(pen, (_EDGE, _HEAD + 8), "from above", _SMALL, FAINT)
    _write(pen, (width + _EDGE, _HEAD + 8), "cut open, seen from the back", _SMALL, FAINT)
    _dial(pen, width, height)
    _ruler(pen, width, _HEAD + height, mm_per_px)
    _depth_steps(pen, scene, _HEAD + height)
    _legend(pen, scene, _HEAD + height + 112, 2 * width)
    return paper


def _headline(pen: "ImageDraw", result: Result, width: int) -> None:
    name = shortened(visible(Path(result.scan).name), _LONGEST_NAME)
    _write(pen, (_EDGE, 26), name, _BIG, INK)
    _write(pen, (width - _EDGE, 26), volume_words(result), _BIG, INK, anchor="ra")
    _write(pen, (width - _EDGE, 86), mix_words(result), _MIDDLE, INK, anchor="ra")
    codes = ", ".join(visible(note.code) for note in result.notes)
    if codes:
        _write(pen, (_EDGE, 86), f"look at: {codes}", _MIDDLE, LOOKS[EXCESS].colour)


def volume_words(result: Result) -> str:
    """Say the volume and its interval.

    Parameters
    ----------
    result : Result
        A measured scan.

    Returns
    -------
    str
        For example '50.8 mL (50.2-51.3)'.
    """
    low, high = result.volume_low_ml, result.volume_high_ml
    assert low is not None  # noqa: S101  # only measured scans are drawn
    assert high is not None  # noqa: S101  # only measured scans are drawn
    return (
        f"{result.volume_ml:.1f} mL ({np.floor(low * 10) / 10:.1f}-{np.ceil(high * 10) / 10:.1f})"
    )


def mix_words(result: Result) -> str:
    """Say the mix in one line.

    Parameters
    ----------
    result : Result
        A measured scan.

    Returns
    -------
    str
        Water first, since it goes into the bowl first.
    """
    mix = result.mix
    assert mix is not None  # noqa: S101  # only measured scans are drawn
    water = shown(mix.water_ml, mix.bench.cylinder_step_ml)
    powder = shown(mix.powder_g, mix.bench.scale_step_g)
    return f"water {water} mL, powder {powder} g: {scoops_in_words(mix)}"


def _dial(pen: "ImageDraw", width: int, height: int) -> None:
    spots = {
        "12": (width / 2, _HEAD + 14, "ma"),
        "3": (width - 26, _HEAD + height / 2, "rm"),
        "6": (width / 2, _HEAD + height - 8, "ms"),
        "9": (26, _HEAD + height / 2, "lm"),
    }
    for hour, (x, y, anchor) in spots.items():
        _write(pen, (x, y), hour, _MIDDLE, FAINT, anchor=anchor)


def _ruler(pen: "ImageDraw", width: int, top: int, mm_per_px: float) -> None:
    long = _SCALE_MM / mm_per_px
    right, y = width - _EDGE, top + 50
    pen.line([(right - long, y), (right, y)], fill=INK, width=5)
    for x in (right - long, right):
        pen.line([(x, y - 9), (x, y + 9)], fill=INK, width=3)
    _write(pen, (right - long / 2, y - 10), f"{_SCALE_MM:.0f} mm", _SMALL, INK, anchor="ms")


def _depth_steps(pen: "ImageDraw", scene: Scene, top: int) -> None:
    from matplotlib.colors import LinearSegmentedColormap, to_hex

    low = BAND_MM * float(np.floor(scene.blocks[IMPRESSION].heights_mm.min() / BAND_MM))
    steps = max(round(-low / BAND_MM), 2)
    colours = LinearSegmentedColormap.from_list("depths", DEPTHS, N=steps)
    wide, y = _DEPTHS_PX / steps, top + 20
    for k in range(steps):
        x = _EDGE + wide * k
        box = [(x, y), (x + wide, y + 34)]
        pen.rectangle(box, fill=to_hex(colours(k / (steps - 1))), outline=INK)
        if k % 2 == 0 and k < steps - 1:
            _write(pen, (x, y + 40), f"{-low - k * BAND_MM:.0f}", 22, INK, anchor="ma")
    _write(pen, (_EDGE + wide * steps, y + 40), "0", 22, INK, anchor="ma")
    words = (_EDGE + _DEPTHS_PX + 16, top + 37)
    _write(pen, words, "mm under the base line", 22, INK, anchor="lm")


def _legend(pen: "ImageDraw", scene: Scene, y: int, width: int) -> None:
    from PIL import ImageFont

    shown = [name for name in (*scene.blocks, CUT_FACE) if name in LOOKS]
    font = ImageFont.load_default(_SMALL)
    texts = [pen.textlength(LOOKS[name].says, font=font) for name in shown]
    gap = (width - 2 * _EDGE - sum(texts) - _SWATCH_PX * len(shown)) / max(len(shown), 1)
    x = float(_EDGE)
    for name, text in zip(shown, texts, strict=True):
        _swatch(pen, x, y, name)
        _write(pen, (x + _SWATCH_PX, y + 22), LOOKS[name].says, _SMALL, INK, anchor="lm")
        x += _SWATCH_PX + text + gap


def legend_of(names: Sequence[str]) -> "Image":
    """Draw a legend for a window, one line a name.

    Parameters
    ----------
    names : sequence of str
        Names of blocks.

    Returns
    -------
    PIL.Image.Image
        The legend.
    """
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
