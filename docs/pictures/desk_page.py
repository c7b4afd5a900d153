"""Take pictures of the desk's page at three widths: python docs/pictures/desk_page.py."""

import shutil
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

SIZES = ((1400, 1000), (800, 1300), (390, 1100))  # desk, tablet, telephone
OPENED, MOVED_STEPS = "b0436", 8


def main() -> None:
    """Open a day of the samples and look at it."""
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
