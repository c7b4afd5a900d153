"""Figures that explain: the parts of an impression, curve and interval."""

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from volest.pipeline import Cavity
from volest.result import Result

INK, STONE, BODY, CUT = "#10262b", "#c9a45c", "#9db3b8", "#c65d12"
DEEP_MM = -27.0  # foot of the drawn sections
NEAR_MM = 4.0  # of the base line: what is drawn of the curve
MOLARS_MM = -13.0  # where the section runs, ahead of the dial's middle


def draw_parts(cavity: Cavity, target: Path) -> None:
    """Draw an arch from above and in section, its parts named.

    Parameters
    ----------
    cavity : Cavity
        A scan that was examined.
    target : Path
        Where to.
    """
    figure = Figure(figsize=(10.0, 4.6), layout="constrained")
    above, section = figure.subplots(1, 2, width_ratios=(1.0, 1.25))
    _from_above(cavity, above)
    _in_section(cavity, section)
    figure.savefig(target, dpi=110)


def draw_interval(result: Result, target: Path) -> None:
    """Draw volume against height near the base line, with the interval.

    Parameters
    ----------
    result : Result
        A measured scan.
    target : Path
        Where to.
    """
    height, volume = np.array(result.curve).T
    near = np.abs(height) <= NEAR_MM
    best = result.volume_ml
    # Rounded outwards, as the table does.
    low = np.floor(result.volume_low_ml * 10.0) / 10.0
    high = np.ceil(result.volume_high_ml * 10.0) / 10.0
    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    axes = figure.subplots()
    axes.plot(height[near], volume[near], color=STONE, linewidth=2.5)
    axes.axvline(0.0, color=INK, linestyle="--", linewidth=1.2)
    axes.axhspan(low, high, color=STONE, alpha=0.25)
    axes.plot([0.0], [best], "o", color=INK)
    axes.text(0.15, volume[near].min(), "base line", color=INK)
    axes.text(-NEAR_MM, high + 0.3, f"the interval: {low:.1f} to {high:.1f} mL", color=INK)
    axes.annotate(f"{best:.1f} mL", (0.0, best), (0.5, best - 1.4))
    axes.annotate(
        f"1 mm higher takes\n{result.slope_ml_per_mm:.1f} mL more",
        (1.0, float(np.interp(1.0, height, volume))),
        (1.4, best - 6.5),
        arrowprops={"arrowstyle": "->", "color": INK},
    )
    axes.set_xlabel("height over the base line, mm")
    axes.set_ylabel("volume, mL")
    figure.savefig(target, dpi=110)


def _on_the_dial(cavity: Cavity, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn places in the frame to the right of the dial's middle, and ahead of it."""
    (fx, fy), (cx, cy) = cavity.clock.front, cavity.clock.centre_mm
    return (x - cx) * fy - (y - cy) * fx, (x - cx) * fx + (y - cy) * fy


def _from_above(cavity: Cavity, axes: Axes) -> None:
    relief = cavity.relief
    x, y = relief.grid.centres_mm()
    right, ahead = _on_the_dial(cavity, x, y)
    top = np.where(relief.outside, np.nan, cavity.base.heights_mm(x, y, relief.top_mm))
    axes.pcolormesh(right, ahead, top, cmap="bone", vmin=DEEP_MM, vmax=4.0, rasterized=True)
    inside = cavity.footprint.inside.astype(np.float64)
    axes.contour(right, ahead, inside, levels=[0.5], colors=[CUT], linewidths=2.0)
    axes.axhline(MOLARS_MM, color=INK, linestyle=":", linewidth=1.2)
    low, high = ahead[cavity.footprint.inside].min(), ahead[cavity.footprint.inside].max()
    middle = right[cavity.footprint.inside & (ahead < low + 4.0)]
    for side in (middle[middle < 0.0].mean(), middle[middle > 0.0].mean()):
        axes.annotate(
            "heel",
            (side, low + 2.0),
            (side, low - 9.0),
            ha="center",
            arrowprops={"arrowstyle": "->"},
        )
    axes.annotate("front, 12 o'clock", (0.0, high), (0.0, high + 6.0), ha="center")
    axes.text(
        0.0,
        ahead[cavity.footprint.inside].mean() - 8.0,
        "tongue\nspace:\noutside",
        ha="center",
        fontsize=8,
    )
    axes.text(0.0, low - 16.0, "orange: rim, the edge of the footprint", ha="center", color=CUT)
    axes.set_ylim(low - 20.0, high + 12.0)
    axes.set_title("from above; dark is deep; dotted: the section", fontsize=10)
    axes.set_aspect("equal")
    axes.set_axis_off()


def _in_section(cavity: Cavity, axes: Axes) -> None:
    """Cut across the molars: the scanned skin, the stone up to the base line, the names."""
    (fx, fy), (cx, cy) = cavity.clock.front, cavity.clock.centre_mm
    right = np.arange(-42.0, 42.0, 0.1)
    x, y = cx + right * fy + MOLARS_MM * fx, cy - right * fx + MOLARS_MM * fy
    cell = cavity.relief.grid.cells_of(x, y)
    seen = (cell >= 0) & ~cavity.relief.outside.flat[cell]
    over = cavity.base.heights_mm(x, y, cavity.relief.top_mm.flat[cell])
    skin = np.where(seen, over, np.nan)
    inside = seen & cavity.footprint.inside.flat[cell]
    axes.fill_between(right, DEEP_MM, skin, color=BODY, linewidth=0.0)
    axes.fill_between(right, skin, 0.0, where=inside & (skin < 0.0), color=STONE, linewidth=0.0)
    axes.plot(right, skin, color=INK, linewidth=1.2)
    left = right[inside & (right < 0.0)]
    axes.plot([left.min() - 6.0, left.max() + 6.0], [0.0, 0.0], color=INK, linestyle="--")
    axes.plot(right[inside & (right > 0.0)][[0, -1]], [0.0, 0.0], color=INK, linestyle="--")
    _names(axes, right, skin, left)
    axes.set_ylim(DEEP_MM - 1.0, 9.0)
    axes.set_aspect("equal")
    axes.set_xlabel("across, mm")
    axes.set_ylabel("over the base line, mm")
    axes.set_title("in section; grey is the impression, yellow the stone", fontsize=10)


def _names(axes: Axes, right: np.ndarray, skin: np.ndarray, left: np.ndarray) -> None:
    arrow = {"arrowstyle": "->", "color": INK}
    at = int(np.nanargmin(np.where(right < 0.0, skin, np.nan)))
    axes.annotate(
        "tips", (right[at], skin[at]), (right[at] + 14.0, skin[at]), va="center", arrowprops=arrow
    )
    axes.annotate("rim", (left.min(), 0.0), (left.min() - 4.0, 5.0), ha="center", arrowprops=arrow)
    axes.annotate(
        "base line", (left.mean(), 0.0), (left.max() + 12.0, 5.0), ha="center", arrowprops=arrow
    )
    span = {"arrowstyle": "<->", "color": CUT}
    axes.annotate("", (left.min(), 2.0), (left.max(), 2.0), arrowprops=span)
    axes.text(left.mean(), 2.6, "footprint", ha="center", color=CUT)
