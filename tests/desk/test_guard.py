"""Who is let in, and what is taken: hostile pages, names, sizes and speeds."""

import contextlib
import http.client
import os
import re
import signal
import socket
import subprocess
import time
import unicodedata
from collections.abc import Iterator
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import pytest
from starlette.datastructures import Headers

from tests.batch.small import VOLEST
from tests.desk.served import Desk, served
from tests.view.bowls import write_bowl
from volest.desk import server
from volest.desk.server import WRONG_CODES, Keys
from volest.desk.state import BROUGHT
from volest.errors import UsageError

BINARY = {"content_type": "application/octet-stream"}
READ = ["/api/day", "/api/news", "/api/scans/0123456789abcdef-1"]
DONE = [
    ("POST", "/api/share"),
    ("PUT", "/api/scans?name=a.stl"),
    *(("POST", f"/api/scans/x-1/{what}") for what in ("try", "save", "undo", "remove")),
    *(("POST", f"/api/mixes/x/{what}") for what in ("tick", "book", "strike")),
]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    with served(tmp_path_factory.mktemp("day")) as made:
        yield made


@pytest.mark.parametrize("path", READ)
def test_nothing_is_read_without_the_token(desk: Desk, path: str) -> None:
    for token in ("", "Bearer wrong", f"Basic {desk.keys.token}", "Bearer \xff"):
        assert desk.ask("GET", path, authorization=token)[0] == 401


@pytest.mark.parametrize(("method", "path"), DONE)
def test_nothing_is_done_without_token_and_page(desk: Desk, method: str, path: str) -> None:
    assert desk.ask(method, path, {}, authorization="")[0] == 401
    for origin in ("", "null", "http://evil.example", f"https://{desk.host}", "http://127.0.0.1"):
        assert desk.ask(method, path, {}, origin=origin)[0] == 403


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:{port}", ""]
)
@pytest.mark.parametrize("path", ["/", "/desk.js", "/api/day"])
def test_no_other_name_leads_here(desk: Desk, host: str, path: str) -> None:
    # a page whose name was made to point at this computer sends that name (DNS rebinding)
    status, _ = desk.ask("GET", path, host=host.format(port=desk.port))
    assert status in {400, 403}


def test_the_network_is_answered_only_by_address() -> None:
    guard = server._Guard(lambda *_: None, Keys())  # type: ignore[arg-type]

    def refused(host: str) -> bool:
        scope = {
            "type": "http",
            "method": "GET",
            "path": "/",
            "headers": [(b"host", host.encode())],
            "server": ("192.0.2.7", 8417),
        }
        return guard._refusal(scope, Headers(scope=scope)) is not None

    assert not refused("192.0.2.7:8417")
    assert all(map(refused, ("localhost:8417", "127.0.0.1:8417", "bench.example:8417")))


def test_only_json_as_the_page_makes_it_is_taken(desk: Desk) -> None:
    share = "/api/share"
    for kind in ("text/plain", "application/x-www-form-urlencoded", "", "application/json; x=1"):
        assert desk.ask("POST", share, {"at_most": 2}, content_type=kind)[0] == 415
    bad = [b"", b"{", b"[]", b"null", b"[" * 50_000, b'{"at_most": 2, "more": 1}', b"\xff", b"{}"]
    bad += [b'{"at_most": "2"}', b'{"at_most": true}', b'{"at_most": 2.5}']
    for body in bad:
        assert desk.ask("POST", share, body)[0] == 400, body
    for grams in (b"NaN", b"Infinity", b"1e999", b'"5"', b"null", b"1" + b"0" * 400):
        status, _ = desk.ask("POST", "/api/mixes/x/book", b'{"left_g": ' + grams + b"}")
        assert status == 400, grams
    line = {"version": "x", "point_mm": [0, 0], "normal": [0, 0, 1], "patches": []}
    assert desk.ask("POST", "/api/scans/x-1/save", line)[0] == 400
    assert desk.ask("POST", share, b" " * (server.MOST_JSON_BYTES + 1))[0] == 413
    assert desk.ask("POST", share, {"at_most": 9})[0] == 422
    assert desk.ask("POST", "/api/scans/x-1/undo", {"version": "x"})[0] == 404


@pytest.mark.parametrize(
    "name",
    [
        *("../a.stl", "/etc/a.stl", "a/b.stl", "..", ".a.stl", "a.stl/..", "a\\b.stl", "", "a.exe"),
        *("a.stl.toml", "a\0.stl", "a\n.stl", "\u202ea.stl", "x" * 300 + ".stl"),
        "a.stl.decision.toml",
    ],
)
def test_a_scan_is_put_into_the_folder_only(desk: Desk, name: str) -> None:
    before = sorted(desk.day.folder.parent.rglob("*"))
    quoted = "".join(f"%{byte:02x}" for byte in name.encode())
    status, _ = desk.ask("PUT", f"/api/scans?name={quoted}", b"solid", **BINARY)
    assert status == 422
    assert sorted(desk.day.folder.parent.rglob("*")) == before


def test_names_of_any_script_stand(desk: Desk) -> None:
    for name in (
        "Łęcka 3.stl",
        "石膏.ply",
        "عينة.stl",
        "ก้.stl",
        unicodedata.normalize("NFD", "é.stl"),
    ):
        quoted = "".join(f"%{byte:02x}" for byte in name.encode())
        assert desk.ask("PUT", f"/api/scans?name={quoted}", name.encode(), **BINARY)[0] == 200
        assert desk.scan(name)["outcome"] == "refused"  # a few letters are no scan


def test_no_file_but_the_page_is_given_out(desk: Desk) -> None:
    (desk.day.folder / "secret.txt").write_text("secret")
    tries = ["/secret.txt", "/../secret.txt", "/%2e%2e/secret.txt", "/solid.js/../secret.txt"]
    tries += ["//etc/passwd", "/desk.html", "/results.json", "/.volest/finished.db", "/%00"]
    for path in tries:
        assert desk.ask("GET", path)[0] == 404, path


@pytest.mark.parametrize("size", ["1000001", "99999999999999999999", "-1", "x"])
def test_what_is_too_large_is_refused_before_it_comes(
    desk: Desk, size: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "MOST_BYTES", 1_000_000)
    status, _ = desk.ask("PUT", "/api/scans?name=a.stl", b"", **BINARY, content_length=size)
    assert status in {400, 413}


def sent(desk: Desk, *pieces: bytes, wait_s: float = 0.0) -> tuple[bytes, float]:
    """Send a scan piece by piece as it is typed here; give the answer and when it came."""
    head = (
        f"PUT /api/scans?name=slow.stl HTTP/1.1\r\nhost: {desk.host}\r\n"
        f"origin: http://{desk.host}\r\nauthorization: Bearer {desk.keys.token}\r\n"
        "content-type: application/octet-stream\r\ntransfer-encoding: chunked\r\n\r\n"
    )
    start = time.monotonic()
    with socket.create_connection(("127.0.0.1", desk.port), timeout=30) as link:
        link.sendall(head.encode())
        for piece in pieces:
            link.sendall(b"%x\r\n%s\r\n" % (len(piece), piece))
            time.sleep(wait_s)
        return link.recv(4096), time.monotonic() - start


def test_what_does_not_say_its_size_is_counted(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "MOST_BYTES", 1000)
    answer, _ = sent(desk, b"x" * 600, b"x" * 600)
    assert answer.startswith(b"HTTP/1.1 413")
    assert not list(desk.day.folder.glob("*slow*"))


def test_what_stalls_or_drips_is_ended(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "IDLE_S", 0.5)
    answer, took_s = sent(desk, b"x")
    assert answer.startswith(b"HTTP/1.1 408")
    assert took_s < 10.0
    monkeypatch.setattr(server, "IDLE_S", 15.0)
    monkeypatch.setattr(server, "BRING_S", 0.5)
    answer, _ = sent(desk, *[b"x"] * 10, wait_s=0.1)
    assert answer.startswith(b"HTTP/1.1 408")
    assert not list(desk.day.folder.glob(f"{BROUGHT}*"))


def test_a_code_gives_the_token_and_cannot_be_guessed(desk: Desk) -> None:
    answer = desk.ask("POST", "/api/enter", {"code": desk.keys.code.lower()}, authorization="")
    assert answer == (200, desk.keys.token)
    keys = Keys()
    assert keys.given_for(f" {keys.code[:3]}-{keys.code[3:]} ") == keys.token
    for _ in range(WRONG_CODES):
        with pytest.raises(UsageError, match="type it again"):
            keys.given_for("WRONG")
    with pytest.raises(UsageError, match="wait a minute"):
        keys.given_for(keys.code)


class Inline(HTMLParser):
    """Collects what would run or style from inside the page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "style" or (tag == "script" and "src" not in given):
            self.found.append(tag)
        self.found += [name for name in given if name == "style" or name.startswith("on")]


def test_the_page_carries_nothing_inline_and_says_so(desk: Desk) -> None:
    link = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=20)
    link.request("GET", "/")
    with contextlib.closing(link):
        answer = link.getresponse()
        text = answer.read().decode()
    policy = answer.getheader("content-security-policy", "")
    assert "default-src 'none'; script-src 'self'; style-src 'self'" in policy
    assert "unsafe" not in policy
    assert answer.getheader("x-content-type-options") == "nosniff"
    assert answer.getheader("cache-control") == "no-store"
    page = Inline()
    page.feed(text)
    assert page.found == []
    scripts = resources.files("volest.view").joinpath("web")
    for name in ("desk.js", "look.js", "solid.js"):
        text = scripts.joinpath(name).read_text(encoding="utf-8")
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", text)


@pytest.mark.slow
@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_politely(tmp_path: Path, end: signal.Signals) -> None:
    write_bowl(tmp_path / "a.stl")
    words = [*VOLEST, "desk", str(tmp_path), "--port", "0", "--no-browser", "--workers", "1"]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as run:
        assert run.stderr is not None
        try:
            for line in run.stderr:
                if "http://127.0.0.1:" in line:
                    break
            end_s = time.monotonic() + 60
            while not (tmp_path / "results.json").exists() and time.monotonic() < end_s:
                time.sleep(0.1)
            os.kill(run.pid, end)
            assert run.wait(30) == 0
            assert "Traceback" not in run.stderr.read()
        finally:
            run.kill()
    assert (tmp_path / "results.json").exists()
