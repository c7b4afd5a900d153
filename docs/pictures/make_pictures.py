"""Make the pictures of the docs again: python docs/pictures/make_pictures.py."""

import io
from pathlib import Path

import numpy as np
from explaining import draw_interval, draw_parts
from matplotlib.figure import Figure
from PIL import Image
from rich.console import Console
from rich.text import Text

from volest.batch.find import find, find_scans
from volest.dosing import poured
from volest.pipeline import Cavity, examine, guided
from volest.report.table import table_text
from volest.run import Request, run
from volest.settings import Base, Settings
from volest.view.around import outline, strip
from volest.view.picture import picture_of

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
WIDTH = 112
FEW = 2  # columns under a roof: enough to show an undercut on either side
# No window round it and no fonts fetched from elsewhere: the text alone.
SVG = """\
<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px; }}
{styles}
</style>
<rect width="100%" height="100%" fill="#10262b"/>
<g transform="translate({terminal_x}, {terminal_y})">
{backgrounds}
<g class="{unique_id}-matrix" xml:space="preserve">
{matrix}
</g>
</g>
</svg>
"""


VIEWS = {
    "b0436": ("b0436-lower-wavy-notch.ply", Settings()),
    "b0417": ("b0417-upper-full-arch.stl", Settings(base=Base(offset_mm=-2.0))),
    "b0458": ("b0458-lower-right-quadrant-prepared.ply", Settings()),
}
VIEW_WIDTH_PX = 1400


def main() -> None:
    """Write all pictures."""
    draw_table()
    draw_views()
    _, cavity = examine(ROOT / "sample_meshes" / "b0418-lower-full-arch.ply", Settings())
    draw_footprint(cavity)
    draw_parts(cavity, FOLDER / "parts.png")
    result, notched = examine(ROOT / "sample_meshes" / "b0436-lower-wavy-notch.ply", Settings())
    _, guide = guided(result, notched, Settings())
    alone = strip(notched, guide).replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
    (FOLDER / "trim.svg").write_text(alone + "\n", encoding="utf-8")
    (FOLDER / "outline.svg").write_text(outline(notched, Path(result.scan).name), encoding="utf-8")
    draw_interval(result, FOLDER / "interval.png")
    undercut = ROOT / "sample_meshes" / "b0431-upper-toothless-undercut.ply"
    draw_section(examine(undercut, Settings(base=Base(offset_mm=-1.2), pitch_mm=1.0))[1])


def draw_table() -> None:
    """Write the table that `volest size sample_meshes` prints."""
    scans = [path.relative_to(ROOT) for path in find_scans([ROOT / "sample_meshes"])]
    settings = Settings()
    report = run(Request(settings=settings, found=find(scans)))
    text = table_text(report.results or (), settings, width=WIDTH)
    console = Console(record=True, width=WIDTH, file=io.StringIO())
    console.print(Text("$ volest size sample_meshes\n"), Text(text), sep="\n")
    svg = console.export_svg(unique_id="table", code_format=SVG)
    (FOLDER / "table.svg").write_text(svg, encoding="utf-8")


def draw_views() -> None:
    """Draw three samples the way `volest show --picture` does."""
    for name, (scan, settings) in VIEWS.items():
        result, cavity = examine(ROOT / "sample_meshes" / scan, settings)
        whole = picture_of(poured(result, settings), cavity)
        small = whole.resize((VIEW_WIDTH_PX, round(whole.height * VIEW_WIDTH_PX / whole.width)))
        small.quantize(256, Image.Quantize.MAXCOVERAGE, kmeans=2).save(
            FOLDER / f"{name}.png", optimize=True
        )


def draw_footprint(cavity: Cavity) -> None:
    """Draw heights from above, the pools and the footprint with its crest."""
    relief, footprint = cavity.relief, cavity.footprint
    seen = np.where(relief.outside, np.nan, relief.top_mm - np.median(cavity.rim.crest_mm[:, 2]))
    figure = Figure(figsize=(9.0, 3.6), layout="constrained")
    left, right = figure.subplots(1, 2)
    drawn = left.imshow(seen, origin="lower", cmap="cividis")
    figure.colorbar(drawn, ax=left, label="height over the rim, mm")
    left.set_title("seen along the pour axis", fontsize=10)
    parts = np.where(relief.outside, np.nan, 0.0)
    parts[footprint.inside] = 1.0
    parts[footprint.border] = 2.0
    right.imshow(parts, origin="lower", cmap="cividis")
    right.set_title("footprint, and the rim's crest round it", fontsize=10)
    for axes in (left, right):
        axes.set_axis_off()
    figure.savefig(FOLDER / "footprint.png", dpi=110)


def draw_section(cavity: Cavity) -> None:
    """Draw one row of columns: filled stretches under the base line, an undercut among them."""
    rooms = cavity.rooms
    row, column = np.divmod(rooms.cell, rooms.grid.shape[1])
    roofed = np.bincount(row[rooms.filled & (rooms.roof_mm < 0.0)], minlength=row.max() + 1)
    wide = np.bincount(row[rooms.filled], minlength=row.max() + 1)
    chosen = int(np.argmax(np.where(roofed >= FEW, wide, 0)))
    here = rooms.filled & (row == chosen)
    x = column[here] * rooms.grid.pitch_mm
    floor, top = rooms.floor_mm[here], np.minimum(rooms.roof_mm[here], 0.0)
    figure = Figure(figsize=(9.0, 3.2), layout="constrained")
    axes = figure.subplots()
    axes.bar(x, top - floor, rooms.grid.pitch_mm * 0.9, bottom=floor, color="#c9a45c")
    under = top < 0.0
    axes.bar(
        x[under],
        (top - floor)[under],
        rooms.grid.pitch_mm * 0.9,
        bottom=floor[under],
        color="#3b6b8f",
        hatch="//",
        label="under a roof",
    )
    axes.axhline(0.0, color="#10262b", linewidth=1.5, label="base line")
    axes.set_aspect("equal")
    axes.set_xlabel("across, mm")
    axes.set_ylabel("over the base line, mm")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    figure.savefig(FOLDER / "section.png", dpi=110)


if __name__ == "__main__":
    main()
