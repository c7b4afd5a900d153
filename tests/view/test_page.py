"""The pour sheet in a real browser: quiet, offline, live, and fit to print."""

import csv
import io
import re
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.batch.small import VOLEST
from tests.view.bowls import write_bowl
from tests.view.browser import BROWSER, Page, browser

ATTACK = "<img src=x onerror=alert(1)><b>bold</b>.stl".replace("/", "∕")
MINUS_TWO = """(() => {
  const cards = [...document.querySelectorAll('.card')];
  const card = cards.find((c) => c.dataset.scan === 'hemisphere.stl');
  const slider = card.querySelector('[data-move=height]');
  slider.value = -2;
  slider.dispatchEvent(new Event('input'));
  return card.querySelector('[data-show=volume]').textContent;
})()"""
INKED = """new Promise((done) => setTimeout(() => {
  const canvas = document.querySelector('.card canvas');
  const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
  const seen = new Set();
  for (let k = 0; k < data.length; k += 4)
    seen.add((data[k] << 16) | (data[k + 1] << 8) | data[k + 2]);
  done(seen.size);
}, 500))"""


class Links(HTMLParser):
    """Collects every address that a tag carries."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del tag
        self.found += [value or "" for name, value in attrs if name in {"src", "href", "action"}]


def volest(*words: str | Path, cwd: Path) -> "subprocess.CompletedProcess[str]":
    call = [*VOLEST, *map(str, words)]
    return subprocess.run(call, cwd=cwd, capture_output=True, text=True, check=False, timeout=300)


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("scans")
    write_bowl(where / "hemisphere.stl")
    write_bowl(where / "sunk.stl", "sunk-sphere")
    write_bowl(where / ATTACK, "frustum")
    (where / "empty.stl").write_bytes(b"")
    ran = volest("size", ".", "--sheet", "sheet.html", "--quiet", cwd=where)
    assert ran.returncode == 1, ran.stderr  # one is refused
    assert ran.stderr == ""
    return where


@pytest.fixture(scope="module")
def page(scans: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    if BROWSER is None:
        pytest.skip("no Chromium here: apt-get install chromium")
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        opened.open(scans / "sheet.html")
        yield opened


def test_no_error_and_no_request(page: Page) -> None:
    page.ask(MINUS_TWO)
    page.ask(INKED)
    itself, *rest = (address[:5] for address in page.requests())
    assert itself == "file:"
    assert set(rest) <= {"data:"}
    assert page.complaints() == []


def test_nothing_in_the_file_leads_out(scans: Path) -> None:
    text = (scans / "sheet.html").read_text(encoding="utf-8")
    links = Links()
    links.feed(text)
    assert links.found
    assert all(link.startswith(("data:", "#")) for link in links.found)
    assert "http:" not in text
    assert "https:" not in text
    assert "default-src &#39;none&#39;" in text or "default-src 'none'" in text


def test_the_table_comes_first_with_doubts_in_front(page: Page) -> None:
    names = page.ask(
        "[...document.querySelectorAll('#scans tbody tr')].map((r) => r.cells[1].innerText)"
    )
    assert names[0] == "empty.stl"  # refused
    assert sorted(names) == sorted(["empty.stl", "hemisphere.stl", "sunk.stl", ATTACK])
    assert page.ask("document.querySelector('main').firstElementChild.id") == "scans"


def test_a_heading_sorts_both_ways(page: Page) -> None:
    order = """(() => { document.querySelectorAll('#scans th button')[3].click();
      const rows = [...document.querySelectorAll('#scans tbody tr')];
      return rows.map((r) => Number(r.cells[3].dataset.key)); })()"""
    rising = page.ask(order)[:3]
    assert rising == sorted(rising)
    falling = page.ask(order)[-3:]
    assert falling == sorted(falling, reverse=True)


def test_a_name_with_html_in_it_is_text(page: Page, scans: Path) -> None:
    assert page.ask("document.querySelectorAll('img[src=x], td b').length") == 0
    shown = page.ask("[...document.querySelectorAll('.card .name')].map((n) => n.textContent)")
    assert ATTACK in shown
    assert "<img src=x" not in (scans / "sheet.html").read_text(encoding="utf-8")


def test_the_slider_follows_the_curve(page: Page, scans: Path) -> None:
    ran = volest("curve", "hemisphere.stl", cwd=scans)
    curve = {
        float(row["height_mm"]): row["volume_ml"] for row in csv.DictReader(io.StringIO(ran.stdout))
    }
    assert page.ask(MINUS_TWO) == f"{float(curve[-2.0]):.1f}"


def test_the_live_view_is_drawn_and_turns(page: Page) -> None:
    page.ask("document.querySelector('.card canvas').scrollIntoView()")
    assert page.ask(INKED) > 50  # shades, not one blank colour
    picture = "document.querySelector('.card canvas').toDataURL()"
    before = page.ask(picture)
    page.ask(
        "document.querySelector('.card canvas').dispatchEvent("
        "new KeyboardEvent('keydown', { key: 'ArrowLeft' }))"
    )
    page.ask(INKED)
    assert page.ask(picture) != before


@pytest.mark.parametrize(("wide_in", "tall_in"), [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "Letter"])
def test_it_prints_one_card_a_page(page: Page, wide_in: float, tall_in: float) -> None:
    printed = page.pdf(wide_in, tall_in)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1 + 3  # the table, then three cards


def test_it_prints_several_cards_a_page(page: Page) -> None:
    page.ask("document.getElementById('several').click()")
    printed = page.pdf(8.27, 11.69)
    page.ask("document.getElementById('several').click()")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) < 1 + 3


def test_paper_never_carries_what_was_only_tried(page: Page) -> None:
    page.ask(MINUS_TWO)
    page.pdf(8.27, 11.69)
    assert page.ask("document.querySelectorAll('.tried output').length") == 0


def test_twenty_scans_stay_under_20_mb(scans: Path) -> None:
    whole = (scans / "sheet.html").stat().st_size
    assert 20 * whole / 3 < 20e6


def test_a_sheet_that_no_browser_opens_is_refused(scans: Path) -> None:
    ran = volest("size", ".", "--sheet", "sheet.pdf", cwd=scans)
    assert ran.returncode == 2
    assert ".html" in ran.stderr
