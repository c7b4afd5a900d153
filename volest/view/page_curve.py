"""The volume-height curve as a small drawing inside a page (SVG), and as plain numbers."""

from dataclasses import dataclass

import numpy as np

from volest.result import Result

# `volest curve --plot` draws the same curve in `sheet/plot.py`, by a library that also writes PNG
# and PDF. It cannot draw here: a sheet is made without that library too, and the card's script
# moves a line over this drawing, whose frame it must know.
WIDE, TALL = 340.0, 220.0  # of the drawing's own units; the page scales it
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 10.0, 12.0, 36.0
_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_MOST_TICKS = 6
_TINY = 1e-9  # a curve that is level or empty still has a width to divide by


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Everything a template needs to draw the curve, in the drawing's own units.

    Ticks are places and labels; the frame is left, top, right and bottom.
    """

    line: str
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    base_x: float
    low_y: float
    high_y: float
    frame: tuple[float, float, float, float]


def plot_of(result: Result) -> Plot:
    """Lay out the curve of one measured scan."""
    heights, volumes = np.array(result.curve).T
    left, right = _LEFT, WIDE - _RIGHT
    top, bottom = _TOP, TALL - _BOTTOM

    def x_of(height: float) -> float:
        share = (height - heights[0]) / max(float(np.ptp(heights)), _TINY)
        return float(left + (right - left) * share)

    def y_of(volume: float) -> float:
        return float(bottom - (bottom - top) * volume / max(float(volumes.max()), _TINY))

    low, high = _interval_ml(result)
    return Plot(
        line=" ".join(
            f"{x_of(h):.1f},{y_of(v):.1f}" for h, v in zip(heights, volumes, strict=True)
        ),
        x_ticks=tuple((x_of(at), f"{at:g}") for at in _ticks(heights[0], heights[-1])),
        y_ticks=tuple((y_of(at), f"{at:g}") for at in _ticks(0.0, float(volumes.max()))),
        base_x=x_of(0.0),
        low_y=y_of(low),
        high_y=y_of(high),
        frame=(left, top, right, bottom),
    )


def _interval_ml(result: Result) -> tuple[float, float]:
    best = result.volume_ml or 0.0
    low = best if result.volume_low_ml is None else result.volume_low_ml
    high = best if result.volume_high_ml is None else result.volume_high_ml
    return low, high


def _ticks(low: float, high: float) -> list[float]:
    step = next((s for s in _STEPS if (high - low) / s <= _MOST_TICKS), _STEPS[-1])
    first = np.ceil(low / step)
    return [float(k * step) for k in np.arange(first, np.floor(high / step) + 1)]
