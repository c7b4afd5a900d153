"""A run into a folder: scans sized, tables and pour sheet written, all from what is kept there."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from volest.batch.dealing import carried_out
from volest.batch.engine import Engine
from volest.batch.held_folder import KEPT
from volest.batch.out import OutFolder
from volest.batch.places import Place
from volest.batch.run import SizeScan
from volest.errors import UsageError
from volest.result import Result
from volest.settings import Settings
from volest.stone.plan import Plan
from volest.view.card import CardMaker, read_card
from volest.view.page import sheet_text

ON_A_PAGE = 60  # scans; a page that a browser still opens at once, and little memory to write it
_LEFT = "cards.part"
_PAGE = re.compile(r"sheet(-\d+)?\.html")


class DayFolder:
    """The output of a run, and what is still to be done for it; without a maker no pour sheet."""

    def __init__(self, out: OutFolder, maker: CardMaker | None) -> None:
        self.out = out
        self.maker = maker

    def size(
        self,
        places: Sequence[Place],
        engine: Engine,
        *,
        size_scan: SizeScan | None = None,
        on_result: Callable[[Result], None] | None = None,
    ) -> None:
        """Size what is new or changed; what is finished is kept at once.

        `on_result` is also told of the results of an earlier run.
        """
        sizer = self.maker or size_scan
        for index, done in carried_out(
            places, self.out.settings, engine, size_scan=sizer, known=self.out.known
        ):
            self.out.keep(places[index], done)
            if on_result is not None:
                on_result(done.result)

    def brief(self, places: Sequence[Place]) -> list[Result]:
        """Give the results without their curves and trim guides, which take most memory."""
        return [replace(result, curve=(), trim=None) for result in self.out.results(places)]

    def write(
        self, places: Sequence[Place], plan: Plan | None = None, told: Sequence[str] = ()
    ) -> list[str]:
        """Write tables and sheet, and say what is written; a disk that failed before raises now."""
        written = self.out.write(places, plan)
        pages = [] if self.maker is None else self._write_sheet(places, plan, told)
        self._remove_sheets_but({Path(page).name for page in pages})
        if self.out.failed is not None:
            raise self.out.failed
        return written + pages

    def _write_sheet(
        self, places: Sequence[Place], plan: Plan | None, told: Sequence[str]
    ) -> list[str]:
        done = [place for place in places if self.out.result(place) is not None]
        pages = []
        for number, start in enumerate(range(0, len(done), ON_A_PAGE), start=1):
            page = self._page(done[start : start + ON_A_PAGE], plan, told)
            name = "sheet.html" if number == 1 else f"sheet-{number}.html"
            pages.append(self.out.write_text(name, [page]))
        return pages

    def _remove_sheets_but(self, names: set[str]) -> None:
        """Take away pages of an earlier run: amounts that no longer hold must not be poured."""
        if isinstance(self.out.place, Path):
            for page in self.out.place.glob("sheet*.html"):
                if _PAGE.fullmatch(page.name) and page.name not in names:
                    page.unlink(missing_ok=True)

    def _page(self, places: Sequence[Place], plan: Plan | None, told: Sequence[str]) -> str:
        results = list(self.out.results(places))
        cards = [read_card(self.out.card_file(one.scan), one.cavity) for one in results]
        return sheet_text(results, cards, self.out.settings, plan, told=told)


@contextmanager
def day_folder(
    place: Place, settings: Settings, *, sheet: bool, pictures: bool
) -> Iterator[DayFolder]:
    """Open an output folder for a run; a pour sheet only lies on this computer's own disks."""
    maker = None
    if sheet:
        if not isinstance(place, Path):
            raise UsageError(
                f"a pour sheet in {place}",
                needed="a folder of this computer",
                remedy="add --no-sheet, or name another --out",
            )
        maker = CardMaker(place.absolute() / KEPT / _LEFT, pictures=pictures)
    left = None if maker is None else maker.file_of
    with OutFolder(place, settings, card_left=left) as out:
        if maker is not None:
            maker.folder.mkdir(exist_ok=True)
            for old in maker.folder.iterdir():  # of a run that was killed
                old.unlink(missing_ok=True)
        yield DayFolder(out, maker)
