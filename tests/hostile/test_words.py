"""Hundreds of hostile names, lots and marks, through all that shows or keeps them.

Truth: the same run with plain names. A name that broke out of its place would change the structure:
a line, a cell, a tag, an attribute or a script more or less.
"""

import csv
import io
import itertools
import json
import os
import random
import re
import sqlite3
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from operator import attrgetter
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from click.testing import CliRunner
from click.testing import Result as Ended

import volest
from tests.hostile.calling import BOWL
from tests.marks import slow
from volest import pipeline
from volest.cli.main import volest_group
from volest.errors import visible
from volest.notes import Note
from volest.result import Result

PIECES = (
    # terminals: ECMA-48 sequences, line ends of ASCII, C1 and Unicode, directions (UAX 9)
    *("\x1b[2J", "\x1b]0;t\x07", "\x1b]8;;http://x.invalid\x1b\\", "\x9b31m", "\x7f", "\x08\x08"),
    *("\n", "\r", "\r\n", "\t", "\x0b", "\x0c", "\x1c", "\x85", "\u2028", "\u2029"),
    *("\u202e", "\u2066", "\u200b", "\u200d", "\ufeff", "\u00ad", "\ue000", "\U000e0041"),
    *("z\u0351\u0352\u0353\u0354", "\u4e0a\u984e", "\U0001f9b7", "\u0130", "\ufdfd", "\u00a0"),
    # bytes that are no UTF-8 (PEP 383)
    *map(os.fsdecode, (b"\xff", b"\xc3", b"\xc0\xaf", b"\xed\xa0\x80", b"caf\xe9")),
    # cells: formulas, quotes, separators (CWE-1236)
    *("=1+1", "+1", "-1", "@SUM(1)", "\uff1d1", "\uff0b1", "=cmd|' -C x'!A0", "|x", "%x", "\t=1"),
    *('"', '""', "'", ",", ";", '",\n"', "`", "\\", '\\"', "NaN", "1e999", "null", "true"),
    # pages: tags, ends of scripts and comments, entities, templates (CWE-79)
    *("<b>", "</td>", "<script>alert(1)<\u2215script>", "<!--<script", "-->", "]]>", "&lt;"),
    *('" onload="x', "' onload='x", "<img src=x onerror=x>", "javascript:x", "{{7*7}}", "{% x %}"),
    *("${x}", "</textarea>", "<svg onload=x>", "<style>*{display:none}"),
    # markup of terminals, formats, shells, data bases, options
    *("[bold]", "[\u2215bold]", "[link=x]y", ":smile:", "%s%n", "{0}", "{name!r}", "\\N{SPACE}"),
    *("$(touch RAN)", "`touch RAN`", ";touch RAN;", "| touch RAN", "&& touch RAN", "$HOME", "~"),
    *("'); DROP TABLE pours;--", "' OR 1=1--", "--json", "-", "..", "*", "?", "[a-z]", "con", " "),
)  # fmt: skip
FORMULA = tuple("=+@\t\r\n|%\uff1d\uff0b\uff0d\uff20")
LONGEST_BYTES = 255 - len(".stl")
LONGEST = "n" * LONGEST_BYTES + ".stl"
WIDE = "2000"
MOST = 300
NAMELESS = ("guided", "moves", "scene_of", "_solid")  # what of a card knows no name


def hostile(count: int) -> list[str]:
    """Give so many of the texts: each piece alone, then two to four of them, by a seed."""
    dice = random.Random(4)  # noqa: S311  # texts, no secrets
    texts = dict.fromkeys(PIECES)
    while len(texts) < MOST:
        texts["".join(dice.choices(PIECES, k=dice.randint(2, 4)))] = None
    return list(texts)[:: MOST // count]


def file_names(count: int) -> list[str]:
    """Give names that a file can have, no two alike, none hidden, one as long as may be."""
    names = [
        f"{text}{at}".replace("/", "\u2215").lstrip(".") for at, text in enumerate(hostile(count))
    ]
    names[0] = names[0].ljust(LONGEST_BYTES, "n")
    return [f"{name}.stl" for name in names]


def once(make: Callable[..., Any]) -> Callable[..., Any]:
    """Make once what is the same for all bowls."""
    made: list[Any] = []

    def known(*words: Any, **more: Any) -> Any:
        made.extend([] if made else [make(*words, **more)])
        return made[0]

    return known


def run(*words: str) -> Ended:
    return CliRunner().invoke(volest_group, words, obj=pipeline.size_scan)


def sized(folder: Path, names: list[str], monkeypatch: pytest.MonkeyPatch) -> Ended:
    """Size bowls under these names, every third of them no scan, into a file of each kind."""
    scans = folder / "scans"
    scans.mkdir(parents=True)
    for at, name in enumerate(names):
        (scans / name).write_bytes(b"nonsense" if at % 3 == 2 else BOWL)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", WIDE)
    monkeypatch.setattr("volest.run.Request.drawn", lambda one, _: one)
    for name in ("pipeline.find_cavities", *map("view.page.{}".format, NAMELESS)):
        monkeypatch.setattr(f"volest.{name}", once(attrgetter(name)(volest)))
    files = ("--json", "o.json", "--csv", "o.csv", "--sheet", "o.html")
    done = run("size", "scans", "--pitch", "1", *files)
    assert done.exit_code == 1, (done.output, done.exception)
    return done


class Structure(HTMLParser):
    """What a page is made of: tags with their attributes, and what stands in scripts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, ...]] = []
        self.scripts: list[str] = []
        self.addresses: list[str] = []
        self.words = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, *sorted(name for name, _ in attrs)))
        self.addresses += [value or "" for name, value in attrs if name in {"src", "href"}]

    def handle_endtag(self, tag: str) -> None:
        self.tags.append((f"/{tag}",))

    def handle_comment(self, data: str) -> None:
        self.tags.append(("comment", data))

    def handle_data(self, data: str) -> None:
        if self.cdata_elem:
            self.scripts.append(data)
        else:
            self.words += data


def is_shown(text: str) -> bool:
    """Tell whether all of a text can be seen: no controls, no line ends; spaces of any width."""
    return all(char.isprintable() or unicodedata.category(char) == "Zs" for char in text)


def constant(word: str) -> None:
    pytest.fail(f"{word} is no JSON (RFC 8259)")


def shown(text: str) -> str:
    """Give a text as a person reads it: written out, each space the same."""
    return " ".join(visible(text).split())


@pytest.mark.parametrize("count", [10, *slow(MOST)])
def test_no_name_breaks_out_of_its_place(
    count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = file_names(count)
    plain = [f"{'a' if at % 3 else 'b'}{at}.stl" for at in range(count)]
    sized(tmp_path / "plain", plain, monkeypatch)
    done = sized(tmp_path / "odd", names, monkeypatch)

    # the terminal: each line printable, a row a scan, each with its whole name
    assert all(map(is_shown, done.output.split("\n")))
    ends = [line.split()[-1] for line in done.stdout.partition("\nVolume")[0].split("\n") if line]
    assert ends.count("same-scan") + ends.count("not-a-mesh") == count
    for name in names[1:]:  # the longest is cut in its middle
        assert visible(name).strip() in done.stdout, ascii(name)

    # JSON: valid to the letter, no surrogates, and the names can be had back
    data = (tmp_path / "odd" / "o.json").read_bytes()
    scans = json.loads(data.decode("utf-8"), parse_constant=constant)["scans"]
    assert not any(
        unicodedata.category(char) == "Cs" for char in json.dumps(scans, ensure_ascii=False)
    )
    back = [
        os.fsdecode(bytes.fromhex(one["scan_bytes"])) if "scan_bytes" in one else one["scan"]
        for one in scans
    ]
    assert {Path(name).name for name in back} == set(names)
    assert len({one["volume_ml"] for one in scans}) == 2  # of the bowl, and none

    # CSV: a row a scan, no cell a formula
    table = (tmp_path / "odd" / "o.csv").read_text(encoding="utf-8")
    rows = list(csv.reader(io.StringIO(table, newline=""), strict=True))
    assert {len(row) for row in rows} == {len(rows[0])}
    assert len(rows) == count + 1 == table.count("\n")
    for at in itertools.chain(*rows[1:]):
        assert is_shown(at)
        assert not at.lstrip().startswith(FORMULA), ascii(at)
        assert not at.startswith("-") or float(at) < 0.0

    # the sheet: tag for tag and script for script the same, no address but its cards and drawings
    page, other = (
        Structure((tmp_path / which / "o.html").read_text("utf-8")) for which in ("odd", "plain")
    )
    assert page.tags == other.tags
    assert page.scripts == other.scripts
    own = re.compile(r"#card-\d+|data:,?|data:image/svg\+xml,[!-~]+")
    assert all(own.fullmatch(address) for address in page.addresses)
    one, another = (
        {tag for address in of.addresses for tag in Structure(unquote(address)).tags}
        for of in (page, other)
    )
    assert one == another
    words = " ".join(page.words.split())
    for name in names:
        assert shown(name) in words, ascii(name)
    assert all(map(is_shown, page.words.split("\n")))

    # nothing ran, nothing else was written
    assert {path.name for path in (tmp_path / "odd").iterdir()} == {
        *("scans", "o.json", "o.csv", "o.html")
    }
    assert {path.name for path in (tmp_path / "odd" / "scans").iterdir()} == set(names)


@pytest.mark.parametrize("scan", [BOWL, b"nonsense"])
def test_no_name_breaks_out_of_a_result_as_notebooks_show_it(scan: bytes) -> None:
    def told_as(name: str) -> Result:
        same = Note("same-scan", others=(f"{name}.stl",), more=0)
        return replace(measured, scan=f"{name}.stl", notes=(*measured.notes, same))

    measured = volest.measure(scan, pitch_mm=1.0)
    plain = Structure(told_as("plain")._repr_html_())
    for text in hostile(MOST):
        result = told_as(text)
        page = Structure(result._repr_html_())
        assert page.tags == plain.tags, ascii(text)
        assert (page.scripts, page.addresses) == ([], [])
        assert f"{visible(text)}.stl" in page.words, ascii(text)
        assert is_shown(page.words), ascii(text)
        assert is_shown(repr(result)), ascii(text)


@pytest.mark.parametrize("count", [10, *slow(MOST)])
def test_no_lot_or_mark_breaks_out_of_its_place(
    count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", WIDE)
    texts = hostile(count)
    amounts = ("--volume", "50", "--powder", "103", "--water", "20.6", "--left", "9")
    for text in texts:
        words = {"lot": text, "mark": text, "why": text, "scan": f"{text}.stl"}
        told = [f"--{name}={value}" for name, value in words.items()]
        done = run("log", "--journal", "j.db", *amounts, "--outcome", "remake", "--again", *told)
        assert done.exit_code == 0, (ascii(text), done.output)
        assert all(map(is_shown, done.output.split("\n"))), ascii(text)
    more = ("--delivered", "25000", "--stone", "type-4", f"--lot={texts[-1]}")
    assert run("log", "--journal", "j.db", *more).exit_code == 0

    done = run("log", "--journal", "j.db", "--csv", "o.csv", "--backup", "b.db")
    assert done.exit_code == 0
    assert all(map(is_shown, done.output.split("\n")))
    rows = list(csv.reader(io.StringIO((tmp_path / "o.csv").read_text("utf-8"), newline="")))
    assert {len(row) for row in rows} == {len(rows[0])}
    assert len(rows) == count + 1
    for at in itertools.chain(*rows[1:]):
        assert is_shown(at)
        assert not at.lstrip().startswith(FORMULA), ascii(at)
    for file in ("j.db", "b.db"):
        base = sqlite3.connect(file)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        kept = base.execute("SELECT lot, mark, why, scan FROM pours ORDER BY number").fetchall()
        base.close()
        assert kept == [(visible(t), visible(t), visible(t), visible(f"{t}.stl")) for t in texts]
    assert {path.name for path in tmp_path.iterdir()} == {"j.db", "b.db", "o.csv"}


@pytest.mark.parametrize("scans", [["scans"], ["scans/b.stl", f"scans/{LONGEST}"]])
def test_a_name_that_leaves_no_room_for_a_saved_base_line_is_kept_and_compared(
    scans: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "scans").mkdir()
    for name in ("b.stl", LONGEST):
        (tmp_path / "scans" / name).write_bytes(BOWL)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("volest.run.Request.drawn", lambda one, _: one)
    for unchanged in (0, 1):
        done = run("size", *scans, "--out", "out", "--pitch", "1")
        assert done.exit_code == 0, done.output
        assert done.stderr.count("the same scan in b.stl") == 1
        assert done.stderr.count("2 unchanged") == unchanged
