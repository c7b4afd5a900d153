"""Make the pictures of the docs again: python docs/pictures/make_pictures.py."""

import io
from pathlib import Path

from rich.console import Console
from rich.text import Text

from volest.batch.finding import find_scans
from volest.batch.run import run
from volest.settings import Settings
from volest.sheet.table import table_text

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
WIDTH = 112
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


def main() -> None:
    """Write the table that `volest size sample_meshes` prints."""
    scans = [path.relative_to(ROOT) for path in find_scans([ROOT / "sample_meshes"])]
    settings = Settings()
    text = table_text(run(scans, settings), settings, width=WIDTH)
    console = Console(record=True, width=WIDTH, file=io.StringIO())
    console.print(Text("$ volest size sample_meshes\n"), Text(text), sep="\n")
    svg = console.export_svg(unique_id="table", code_format=SVG)
    (FOLDER / "table.svg").write_text(svg, encoding="utf-8")


if __name__ == "__main__":
    main()
