"""The pour sheet in a real browser: quiet, offline, live, and fit to print."""

import csv
import io
import json
import math
import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.batch.small import VOLEST
from tests.machine import need_drawing
from tests.view.bowls import write_bowl
from tests.view.browser import Page, browser
from volest.lab import Bowl, Lab, SecondPour
from volest.notes import CATALOGUE, Note, Said
from volest.settings import Settings, parse_base
from volest.stone.reference import pour_window
from volest.stone.shared import Impression, plan_mixes
from volest.stone.words import scoops_in_words
from volest.view.page import CardMaker, read_card, sheet_text

ROOT = Path(__file__).parents[2]
MOST_NOTES, MOST_ON_A_PAGE = 8, 5  # the samples carry two at most
PX_PER_IN = 96.0  # as CSS counts them
CARDS = "[...document.querySelectorAll('.card')]"
ATTACK = "<img src=x onerror=alert(1)><b>bold</b>.stl".replace("/", "∕")
MINUS_TWO = """(() => {
  const cards = [...document.querySelectorAll('.card')];
  const card = cards.find((c) => c.dataset.scan === 'hemisphere.stl');
  const slider = card.querySelector('[data-move=height]');
  slider.value = -2;
  slider.dispatchEvent(new Event('input'));
  return card.querySelector('[data-show=volume]').textContent;
})()"""
PAPERS = pytest.mark.parametrize(
    ("wide_in", "tall_in"), [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "Letter"]
)
INKED = """new Promise((done) => setTimeout(() => {
  const canvas = document.querySelector('.card canvas');
  const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
  const seen = new Set();
  for (let k = 0; k < data.length; k += 4)
    seen.add((data[k] << 16) | (data[k + 1] << 8) | data[k + 2]);
  done(seen.size);
}, 500))"""


def pages(printed: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", printed))


@contextmanager
def as_paper(page: Page, wide_in: float, tall_in: float) -> Iterator[float]:
    """Lay the page out as it is printed; gives the height of a page between its edges, in px."""
    edges_in = 20 / 25.4  # as the style has them
    wide_px, room_px = ((inch - edges_in) * PX_PER_IN for inch in (wide_in, tall_in))
    size = {"width": round(wide_px), "height": round(room_px)}
    page.send("Emulation.setEmulatedMedia", media="print")
    page.send("Emulation.setDeviceMetricsOverride", **size, deviceScaleFactor=1, mobile=False)
    yield room_px
    page.send("Emulation.clearDeviceMetricsOverride")
    page.send("Emulation.setEmulatedMedia", media="")


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


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
def chromium() -> None:
    """Asked before a scan is drawn, so that one line names all that is missing."""
    need_drawing("chromium")


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need_drawing()
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
def page(chromium: None, scans: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    del chromium
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


@pytest.mark.slow
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
    ran = volest("show", "hemisphere.stl", "--curve", "-", cwd=scans)
    curve = {
        float(row["height_mm"]): row["volume_ml"] for row in csv.DictReader(io.StringIO(ran.stdout))
    }
    assert page.ask(MINUS_TWO) == f"{float(curve[-2.0]):.1f}"


def test_what_is_only_tried_says_so(page: Page) -> None:
    told = "document.querySelector('.card[data-scan=\"hemisphere.stl\"] [data-tried]')"
    page.ask(MINUS_TWO)
    assert page.ask(f"{told}.checkVisibility()")
    page.ask(MINUS_TWO.replace("-2;", "0;"))
    assert not page.ask(f"{told}.checkVisibility()")


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


@PAPERS
def test_it_prints_one_card_a_page(page: Page, wide_in: float, tall_in: float) -> None:
    printed = page.pdf(wide_in, tall_in)
    assert pages(printed) == 1 + 3  # the table, then three cards


def test_it_prints_several_cards_a_page(page: Page) -> None:
    page.ask("document.getElementById('several').click()")
    printed = page.pdf(8.27, 11.69)
    page.ask("document.getElementById('several').click()")
    assert pages(printed) < 1 + 3


def test_paper_never_carries_what_was_only_tried(page: Page) -> None:
    page.ask(MINUS_TWO)
    page.pdf(8.27, 11.69)
    assert page.ask("document.querySelectorAll('.tried output').length") == 0


@pytest.mark.slow
def test_twenty_scans_stay_under_20_mb(scans: Path) -> None:
    whole = (scans / "sheet.html").stat().st_size
    assert 20 * whole / 3 < 20e6


@pytest.mark.slow
def test_a_sheet_that_no_browser_opens_is_refused(scans: Path) -> None:
    ran = volest("size", ".", "--sheet", "sheet.pdf", cwd=scans)
    assert ran.returncode == 2
    assert ".html" in ran.stderr


@pytest.fixture(scope="module")
def crowded(chromium: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """A sheet of cards that are as full as they get: a base in two mixes, and ever more notes."""
    del chromium
    where = tmp_path_factory.mktemp("crowded")
    notch = ROOT / "sample_meshes" / "b0436-lower-wavy-notch.ply"
    bowl = Bowl(name="the small one on the left", least_ml=10, most_ml=60)
    lab = Lab(bowl=(bowl,), second_pour=SecondPour(height_mm=20, stone="type-2"))
    settings = Settings(lab=lab)
    result, draw = CardMaker(pictures=True)(notch, settings)
    said = (
        "The rim lies below the base line over about 90 mm, " + 4 * "by up to 1.1 mm at 1, 2, 4, "
    )
    words = Said(said, "box in that stretch first, or lower the base line")
    codes = [f"note-{k}" for k in range(MOST_NOTES)]
    with pytest.MonkeyPatch.context() as patched:
        for code in codes:
            patched.setitem(CATALOGUE, code, words)
        more = tuple(map(Note, codes))
        results = [replace(result, notes=more[:count]) for count in range(MOST_NOTES + 1)]
        text = sheet_text(results, [read_card(draw())] * len(results), settings)
    (where / "crowded.html").write_text(text, encoding="utf-8")
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        opened.open(where / "crowded.html")
        yield opened


@PAPERS
def test_a_full_card_stays_on_its_page(crowded: Page, wide_in: float, tall_in: float) -> None:
    with as_paper(crowded, wide_in, tall_in) as room_px:
        tall_px = crowded.ask(f"{CARDS}.map((c) => c.getBoundingClientRect().height)")
        out_px = crowded.ask(
            f"{CARDS}.map((c) => Math.max(...[...c.querySelectorAll('*')]"
            ".map((x) => x.getBoundingClientRect().bottom)) - c.getBoundingClientRect().bottom)"
        )
    printed = pages(crowded.pdf(wide_in, tall_in))
    crowded.ask("document.querySelectorAll('.card').forEach((c) => c.remove())")
    first = pages(crowded.pdf(wide_in, tall_in))
    crowded.send("Page.reload")
    crowded.wait("document.readyState === 'complete' && document.querySelector('.card')")
    assert len(tall_px) == MOST_NOTES + 1
    assert max(out_px) < 1.0  # what hangs out of its card lies on the next one
    # With more notes than any sample has, a card may go over to a second page of its own.
    assert max(tall_px[: MOST_ON_A_PAGE + 1]) <= room_px
    # A line that breaks on the screen may not break on paper, whose width is no whole px.
    assert len(tall_px) <= printed - first <= sum(-(-tall // room_px) for tall in tall_px)


def test_a_telephone_shows_all_of_it_without_moving_sideways(crowded: Page) -> None:
    size = {"width": 390, "height": 844}
    crowded.send("Emulation.setDeviceMetricsOverride", **size, deviceScaleFactor=1, mobile=False)
    wide_px = crowded.ask("document.documentElement.scrollWidth")
    strip_px = crowded.ask("document.querySelector('.strip svg').getBoundingClientRect().width")
    crowded.send("Emulation.clearDeviceMetricsOverride")
    assert wide_px <= size["width"]
    assert strip_px > 0.75 * size["width"]


def pages_of_whole(tall_px: list[float], room_px: float, between_px: float) -> int:
    """Pages for cards in their order, each whole, as many on a page as find room."""
    filled, last_px = 0, math.inf
    for tall in tall_px:
        last_px += between_px + tall
        if last_px > room_px:
            filled, last_px = filled + 1, tall
    return filled


@PAPERS
def test_cards_with_a_base_share_pages_and_none_is_split(
    crowded: Page, wide_in: float, tall_in: float
) -> None:
    between_px = 3 / 25.4 * PX_PER_IN  # as the style has it
    crowded.ask("document.getElementById('several').click()")
    printed = pages(crowded.pdf(wide_in, tall_in))
    with as_paper(crowded, wide_in, tall_in) as room_px:
        tall_px = crowded.ask(f"{CARDS}.map((c) => c.getBoundingClientRect().height)")
        kept = crowded.ask(f"{CARDS}.every((c) => getComputedStyle(c).breakInside === 'avoid')")
        front_px = crowded.ask(f"{CARDS}[0].getBoundingClientRect().top + scrollY")
    crowded.ask("document.getElementById('several').click()")
    assert kept
    assert max(tall_px) <= room_px
    middle_px = sorted(tall_px)[len(tall_px) // 2]
    assert 2 * middle_px + between_px <= room_px  # also with a few notes, two share a page
    front = -(-front_px // room_px)  # table and notes
    assert printed == front + pages_of_whole(tall_px, room_px, between_px)


def test_a_base_has_its_steps_on_the_card_and_the_cast_comes_out_last(crowded: Page) -> None:
    told = plain(str(crowded.ask("document.querySelector('.card .pours').textContent")))
    marks = ["Water into", "Pour within", "set nodules", "about 45 min", "Wet the top"]
    marks += [
        "2 equal mixes",
        "of type-2, not type-4 (",
        "Pour it within",
        "separate the cast from it",
    ]
    places = [told.index(mark) for mark in marks]
    assert places == sorted(places)
    assert told.count("separate the cast from it") == 1
    assert "volest log" not in told  # no commands on paper


def test_the_sheet_says_when_it_was_sized(page: Page, scans: Path) -> None:
    heads = page.ask("[...document.querySelectorAll('header, .card h2')].map((h) => h.textContent)")
    assert len(heads) == 1 + 3
    for head in heads:
        (said,) = re.findall(r"[Ss]ized (\d{4}-\d\d-\d\d, \d\d:\d\d)", head)
        written = datetime.fromtimestamp((scans / "sheet.html").stat().st_mtime)  # noqa: DTZ006  # local, as on the bench
        assert abs(datetime.strptime(said, "%Y-%m-%d, %H:%M") - written) < timedelta(minutes=2)  # noqa: DTZ007  # the same


def test_paper_does_not_speak_of_what_a_screen_does(page: Page) -> None:
    shown = "getComputedStyle(document.querySelector('caption .screen')).display"
    assert page.ask(shown) != "none"
    page.send("Emulation.setEmulatedMedia", media="print")
    assert page.ask(shown) == "none"
    page.send("Emulation.setEmulatedMedia", media="")


def test_a_shared_mix_has_the_card_with_amounts_and_a_single_impression_none(
    tmp_path: Path,
) -> None:
    settings, scan = Settings(), write_bowl(tmp_path / "bowl.stl")
    result, draw = CardMaker(pictures=False)(scan, settings)
    assert result.volume_ml is not None
    sharers = [(result.scan, result.volume_ml), ("other.stl", 40.0)]
    impressions = [Impression(name=name, volume_ml=volume_ml) for name, volume_ml in sharers]
    start = datetime.fromisoformat("2026-03-02 09:30").astimezone()
    plan = plan_mixes(impressions, settings, start=start)
    (made,) = plan.mixes
    text = plain(sheet_text([result], [read_card(draw())], settings, plan))
    mixed, card = text.split("<article")[1:]
    for words in (
        "at 09:30",
        "bowl.stl</b> at 09:32",
        "other.stl</b> at 09:33",
        "leftover of mix 1",
    ):
        assert words in mixed
    # Hands follow the steps: these give what is mixed, 40 mL and the bowl, with 15 % of waste.
    assert made.mix.mix_ml > 1.15 * 40.0
    assert f"{made.mix.powder_g:.0f} g" in mixed[mixed.index("Steps") :]
    assert scoops_in_words(made.mix) in mixed
    # The card of one impression has its cavity, and no water or powder.
    assert "mix 1</a> at 09:32</b> with other.stl" in card
    assert 'data-show="volume"' in card
    assert result.mix is not None
    for kind in ("water", "powder", "scoops"):
        assert f'data-show="{kind}"' not in card
    assert not re.search(r"\d g\b|Then the powder|leftover", card.partition("application/json")[0])
    rows = json.loads(re.search(r'class="data">(.*?)</script>', card, re.DOTALL)[1])["moves"]  # type: ignore[index]
    assert {len(row) for row in rows} == {2}
    front = text[: text.index("<article")]
    assert front.count(">mix 1<") == 2  # water, powder


def test_cards_stand_in_the_order_of_the_plan_and_say_what_comes_before_the_water(
    tmp_path: Path,
) -> None:
    settings = Settings(base=parse_base("rim=-1.5"))
    made = [
        CardMaker(pictures=False)(write_bowl(tmp_path / f"{name}.stl"), settings) for name in "ab"
    ]
    results, drawn = zip(*made, strict=True)
    waiting = [
        Impression(name=result.scan, volume_ml=result.volume_ml, window=window, age_min=1.0)
        for result, window in zip(results, (None, pour_window("alginate")), strict=True)
    ]
    plan = plan_mixes(waiting, settings, at_most=1)  # b first: its alginate cannot wait
    cards = [read_card(draw()) for draw in drawn]
    text = plain(sheet_text(results, cards, settings, plan))
    ones = text.split("<article")[1:]
    assert [re.search(r"(\w)\.stl", one)[1] for one in ones] == ["b", "a"]  # type: ignore[index]
    # What stands 1.5 mm over the line is cut, all round; the water comes after.
    for one in ones:
        before = one.index("Before the water: cut")
        assert "all round, 1.5 mm off" in one[before : before + 80]
        assert before < one.index("1. water")


def test_a_window_that_will_have_passed_is_told_on_the_card(tmp_path: Path) -> None:
    settings, scan = Settings(), write_bowl(tmp_path / "bowl.stl")
    result, draw = CardMaker(pictures=False)(scan, settings)
    assert result.volume_ml is not None
    one = Impression(name=result.scan, volume_ml=result.volume_ml)
    plan = plan_mixes([one], settings)
    # Alginate within 15 min (a course page on casts), 2 of mixing.
    hurried = replace(one, window=pour_window("alginate"), age_min=13.5)
    late = plan_mixes([hurried], settings)
    text = sheet_text([result], [read_card(draw())], settings, late)
    card = text[text.index("<article") :]
    assert "window-passed" in card
    assert "Ask the maker&#39;s sheet" in card
    assert "No wetting agent." in card
    assert "Disinfected before it was scanned, at __:__" in card
    assert "window-passed" not in sheet_text([result], [read_card(draw())], settings, plan)


@pytest.mark.slow
def test_what_lies_beside_the_scans_is_told_on_the_sheet(tmp_path: Path) -> None:
    for name in ("a.stl", "b.stl"):
        write_bowl(tmp_path / name)
    (tmp_path / "c.3mf").write_bytes(b"x")
    for words in (["--sheet", "sheet.html"], ["--out", "day"]):
        assert volest("size", ".", *words, cwd=tmp_path).returncode == 0
    for sheet in ("sheet.html", "day/sheet.html"):
        text = (tmp_path / sheet).read_text(encoding="utf-8")
        # each on the front and on its card
        assert text.count("The same scan, byte for byte, lies here as b.stl too.") == 2
        assert text.count("Mix for it once, or export the wrong one again.") == 4
        assert "Not read: c.3mf; export scans as STL or PLY, whole." in text
