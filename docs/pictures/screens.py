"""Take pictures of all that is looked at: python docs/pictures/screens.py.

The desk's page at three widths, a card on two papers and in grey, the window in two sizes.
"""

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
sys.path.insert(0, str(ROOT))

from tests.desk.served import Desk, served  # noqa: E402
from tests.view.browser import Page, browser  # noqa: E402
from volest.settings import Settings  # noqa: E402
from volest.view.window import Window  # noqa: E402

SIZES = ((1400, 1000), (800, 1300), (390, 1100))  # desk, tablet, telephone
PAPERS = {"a4": (794, 1123, ""), "letter": (816, 1056, ""), "grey": (794, 1123, "grayscale(1)")}
WINDOWS = ((1400, 900), (1024, 640))
OPENED, MOVED_STEPS = "b0436", 8


def main() -> None:
    """Open a day of the samples and look at it, then at a card and at the window."""
    for size in WINDOWS:
        draw_window(size)
    with tempfile.TemporaryDirectory() as scratch:
        day = Path(scratch, "day")
        day.mkdir()
        scans = [
            one for one in (ROOT / "sample_meshes").iterdir() if one.suffix in {".stl", ".ply"}
        ]
        for scan in scans:
            shutil.copy(scan, day)
        with (
            served(day, at_most=2, settings=Settings()) as desk,
            browser(Path(scratch, "profile")) as page,
        ):
            desk.shown(lambda said: len(said["scans"]) >= len(scans) and not said["waiting"])
            take(desk, page)
            take_card(Path(scratch, "sheet.html"), page)


def take(desk: Desk, page: Page) -> None:
    """Take the list of scans, one that is open, and the mixes."""
    page.open(desk.url)
    page.wait("document.querySelectorAll('#list > li').length > 5")
    shoot(page, "list", *SIZES[0])
    page.ask(
        "[...document.querySelectorAll('.open')]"
        f".find((one) => one.textContent.includes('{OPENED}')).click()"
    )
    page.wait("!document.getElementById('live').hidden")
    page.ask("document.getElementById('grip-height').focus()")
    page.press("ArrowDown", MOVED_STEPS)
    page.wait("document.getElementById('state').textContent.startsWith('Tried and measured')")
    for size in SIZES:
        shoot(page, "look", *size)
    page.ask("document.getElementById('to-mixes').click()")
    shoot(page, "mixes", *SIZES[1])


def opened_scan() -> Path:
    """Give the scan that is looked at."""
    return next((ROOT / "sample_meshes").glob(f"{OPENED}*.ply"))


def take_card(sheet: Path, page: Page) -> None:
    """Take a card as a printer gets it."""
    words = [sys.executable, "-m", "volest", "size", opened_scan(), "--sheet", sheet, "--quiet"]
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)  # noqa: S603  # our own words
    page.open(sheet)
    page.send("Emulation.setEmulatedMedia", media="print")
    for paper, (wide, tall, filtered) in PAPERS.items():
        page.ask(f"document.documentElement.style.filter = '{filtered}'")
        page.send(
            "Emulation.setDeviceMetricsOverride",
            width=wide,
            height=tall,
            deviceScaleFactor=1,
            mobile=False,
        )
        top = page.ask("document.querySelector('.card').getBoundingClientRect().top + scrollY")
        found = page.screenshot(x=0, y=top, width=wide, height=tall)
        (FOLDER / f"card-{paper}.png").write_bytes(found)


def draw_window(size: tuple[int, int]) -> None:
    """Draw the window of `volest view`, base line lowered and cut open."""
    window = Window([opened_scan()], Settings(), off_screen=True)
    window.plotter.window_size = list(size)
    window.move_by(height_mm=-1.0)
    window.toggle_cut()
    window.plotter.screenshot(FOLDER / f"window-{size[0]}.png")
    window.plotter.close()


def shoot(page: Page, name: str, wide: int, tall: int) -> None:
    """Take what a screen of that size shows."""
    size = {"width": wide, "height": tall, "deviceScaleFactor": 1, "mobile": True}
    page.send("Emulation.setDeviceMetricsOverride", **size)
    page.ask("document.activeElement.blur(); scrollTo(0, 0)")
    time.sleep(1.0)  # the view is drawn anew
    (FOLDER / f"desk-{name}-{wide}.png").write_bytes(
        page.screenshot(x=0, y=0, width=wide, height=tall)
    )


if __name__ == "__main__":
    main()
