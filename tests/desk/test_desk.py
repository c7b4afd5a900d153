"""A day on the desk, by a server that is really there: shown, moved, saved, mixed, booked."""

import contextlib
import http.client
import json
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pytest
from manifold3d import Manifold

from tests.cavity.stages import bed
from tests.cavity.trays import corners_of
from tests.desk.served import PATIENCE_S, Desk, served
from tests.flat import flat
from tests.scan import writers
from tests.view.bowls import tray, write_bowl
from volest.desk.state import BROUGHT
from volest.journal import FIRST, Journal, cases_of
from volest.lab import Lab, SecondPour
from volest.pipeline import size_scan
from volest.run import Planner
from volest.scan.decision import (
    decision_path,
    fingerprint,
    read_decision,
    read_told,
    write_preparations,
    write_told,
)
from volest.settings import Settings, parse_base
from volest.stone.reference import pour_window
from volest.view.editor import BaseLineEditor
from volest.view.page import CardMaker

BOWL = "hemisphere.stl"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    folder = tmp_path / "day"
    folder.mkdir()
    write_bowl(folder / BOWL)
    with served(folder, journal=tmp_path / "lab.db") as made:
        made.scan(BOWL)
        yield made


def tried(desk: Desk, height_mm: float, **tilt: float) -> dict[str, Any]:
    one = desk.scan(BOWL)
    held = {"height_mm": height_mm, "right_deg": 0.0, "front_deg": 0.0, "patches": [], **tilt}
    status, said = desk.ask(
        "POST", f"/api/scans/{one['id']}/try", {"version": one["version"], **held}
    )
    assert status == 200, said
    assert isinstance(said, dict)
    return said


def decide(
    desk: Desk, what: str, version: str, line: dict[str, Any] | None = None
) -> tuple[int, Any]:
    one = desk.scan(BOWL)
    return desk.ask("POST", f"/api/scans/{one['id']}/{what}", {"version": version, **(line or {})})


def ml(desk: Desk) -> float:
    """What `volest size` says of the bowl."""
    volume_ml = size_scan(desk.day.folder / BOWL, flat()).volume_ml
    assert volume_ml is not None
    return volume_ml


def test_the_page_shows_what_size_says(desk: Desk) -> None:
    one, said = desk.scan(BOWL), size_scan(desk.day.folder / BOWL, flat())
    assert said.mix is not None
    assert one["volume_ml"] == said.volume_ml
    assert float(one["powder"]) == pytest.approx(said.mix.powder_g, abs=0.5)
    assert float(one["water"]) == pytest.approx(said.mix.water_ml, abs=0.1)
    file, end = desk.day.folder / "results.json", time.monotonic() + 20
    while not file.exists() and time.monotonic() < end:
        time.sleep(0.05)
    written = json.loads(file.read_text())
    assert [entry["volume_ml"] for entry in written["scans"]] == [
        pytest.approx(said.volume_ml, abs=1e-6)
    ]


def test_a_line_is_tried_saved_put_back_and_removed(desk: Desk) -> None:
    scan, whole_ml = desk.day.folder / BOWL, ml(desk)
    lower_ml = tray("hemisphere").facets_ml(-2.0)  # the facets' own volume by manifold3d
    found = tried(desk, -2.0)
    assert found["volume_ml"] == pytest.approx(lower_ml, rel=3e-3)
    assert ml(desk) == whole_ml  # a line that is tried is not saved

    before = desk.scan(BOWL)["version"]
    status, said = decide(desk, "save", before, found["line"])
    assert status == 200
    assert ml(desk) == pytest.approx(lower_ml, rel=3e-3)  # obeyed as soon as it is confirmed
    row = desk.scan(BOWL, lambda one: one["version"] == said["version"])
    assert row["volume_ml"] == pytest.approx(lower_ml, rel=3e-3)
    assert (row["saved"], row["can_undo"]) == (True, True)

    status, said = decide(desk, "undo", row["version"])
    assert (status, said["version"], decision_path(scan).exists()) == (200, before, False)
    row = desk.scan(BOWL, lambda one: one["version"] == before)
    assert row["volume_ml"] == pytest.approx(whole_ml)

    _, said = decide(desk, "save", before, found["line"])
    row = desk.scan(BOWL, lambda one: one["version"] == said["version"])
    status, _ = decide(desk, "remove", row["version"])
    assert (status, read_decision(scan)) == (200, None)
    assert ml(desk) == whole_ml
    row = desk.scan(BOWL, lambda one: one["version"] == before)
    _, said = decide(desk, "undo", before)  # a removed line comes back as well
    assert ml(desk) == pytest.approx(lower_ml, rel=3e-3)


def test_what_a_full_disk_did_not_put_back_can_be_put_back_later(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    for height_mm in (-1.0, -2.0):
        line = tried(desk, height_mm)["line"]
        _, said = decide(desk, "save", desk.scan(BOWL)["version"], line)
        row = desk.scan(BOWL, lambda one: one["version"] == said["version"])  # noqa: B023
    with monkeypatch.context() as full:

        def write(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        full.setattr("volest.scan.decision.write_whole", write)
        assert decide(desk, "undo", row["version"])[0] == 507
    status, said = decide(desk, "undo", row["version"])
    assert (status, said["version"] != row["version"]) == (200, True)
    assert desk.scan(BOWL, lambda one: one["version"] == said["version"])["can_undo"]


def test_a_tilted_line_is_measured_as_it_is_saved(desk: Desk) -> None:
    found = tried(desk, -3.0, right_deg=4.0)
    assert found["right_deg"] == 4.0
    decide(desk, "save", desk.scan(BOWL)["version"], found["line"])
    assert ml(desk) == pytest.approx(found["volume_ml"], rel=2e-3)


def test_nobody_writes_over_the_word_of_another(desk: Desk) -> None:
    scan, seen = desk.day.folder / BOWL, desk.scan(BOWL)["version"]
    mine, theirs = tried(desk, -1.0)["line"], tried(desk, -4.0)["line"]
    assert decide(desk, "save", seen, theirs)[0] == 200
    kept = read_decision(scan)
    status, said = decide(desk, "save", seen, mine)
    assert status == 409
    assert read_decision(scan) == kept
    assert (
        said["newer"]["version"]
        == desk.day.tried(  # that of the line that now holds
            desk.scan(BOWL)["id"], said["newer"]["version"], 0.0, 0.0, 0.0, patches=[]
        )["version"]
    )
    for what in ("undo", "remove"):
        assert decide(desk, what, seen)[0] == 409
    status, _ = decide(desk, "save", said["newer"]["version"], mine)  # knowing of it
    found = read_decision(scan)
    assert status == 200
    assert found is not None
    assert list(found.point_mm) == pytest.approx(mine["point_mm"])


def test_a_line_saved_elsewhere_counts_too(desk: Desk) -> None:
    seen, line = desk.scan(BOWL)["version"], tried(desk, -1.0)["line"]
    decide(desk, "save", seen, line)
    saved = desk.scan(BOWL, lambda one: one["saved"])
    decision_path(desk.day.folder / BOWL).unlink()  # by hand, or by the window
    assert decide(desk, "save", saved["version"], line)[0] == 409
    assert not desk.scan(BOWL, lambda one: one["version"] == seen)["saved"]


def test_a_line_with_which_it_would_be_refused_is_not_saved(desk: Desk) -> None:
    far = {"point_mm": [0.0, 0.0, -500.0], "normal": [0.0, 0.0, 1.0], "patches": []}
    status, said = decide(desk, "save", desk.scan(BOWL)["version"], far)
    assert (status, decision_path(desk.day.folder / BOWL).exists()) == (422, False)
    assert said["error"].startswith("found ")


PATCH = {"what": "leave-out", "centre_mm": [1.0, 2.0, -19.0], "radius_mm": 3.0}


def test_patches_and_marks_that_are_none_are_refused(desk: Desk) -> None:
    version, line = desk.scan(BOWL)["version"], tried(desk, -1.0)["line"]
    bad: list[list[Any]] = [
        [PATCH] * 17,
        [{**PATCH, "what": "<b>"}],
        [{**PATCH, "radius_mm": 0}],
        [{**PATCH, "radius_mm": "3"}],
        [{**PATCH, "centre_mm": [0, 0]}],
        ["leave-out"],
        [None],
    ]
    for patches in bad:
        assert decide(desk, "save", version, {**line, "patches": patches})[0] == 422, patches
    for places in ([[0.0, 0.0]], [[0.0, 0.0, "1"]], [None], [[0.0, 0.0, 0.0]] * 33):
        assert decide(desk, "prepare", version, {"places_mm": places})[0] == 422, places
    assert not decision_path(desk.day.folder / BOWL).exists()
    assert decide(desk, "save", version, {**line, "patches": [PATCH]})[0] == 200


def test_scans_are_brought_whole_and_nothing_is_written_over(desk: Desk, tmp_path: Path) -> None:
    brought = write_bowl(tmp_path / "b.stl", "frustum").read_bytes()
    binary = {"content_type": "application/octet-stream"}
    path = "/api/scans?name=case%201.STL"
    assert desk.ask("PUT", path, brought, **binary) == (200, {"new": True})
    assert desk.scan("case 1.STL")["volume_ml"] == pytest.approx(
        tray("frustum").facets_ml(0.0), rel=3e-3
    )
    assert desk.ask("PUT", path, brought, **binary) == (200, {"new": False})
    status, _ = desk.ask("PUT", path, b"another scan", **binary)
    assert (status, (desk.day.folder / "case 1.STL").read_bytes()) == (409, brought)
    assert not list(desk.day.folder.glob(f"{BROUGHT}*"))


def test_a_mix_is_ticked_booked_and_struck_out(desk: Desk, tmp_path: Path) -> None:
    (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
    at = f"/api/mixes/{mix['id']}"
    assert desk.ask("POST", f"{at}/book", {"left_g": 5})[0] == 409  # not poured yet
    assert desk.ask("POST", f"{at}/tick", {"poured": True})[0] == 200
    assert desk.ask("POST", f"{at}/book", {"left_g": 1e5})[0] == 422  # more than was mixed
    status, number = desk.ask("POST", f"{at}/book", {"left_g": 5})
    assert (status, number) == (200, 1)
    assert desk.ask("POST", f"{at}/book", {"left_g": 7})[0] == 409  # another hand, the same mix
    assert desk.ask("POST", f"{at}/tick", {"poured": False})[0] == 409
    with Journal(tmp_path / "lab.db", new=False) as journal:
        (entry,) = journal.entries()
    assert (entry.left_g, entry.scan, entry.powder_g) == (5.0, BOWL, mix["powder_g"])
    assert (entry.volume_ml, entry.volume_u_ml) == (mix["volume_ml"], mix["volume_u_ml"])
    # As by `log`, so that what was poured is known again, and what a case cost.
    (case,) = cases_of(entry)
    assert (case.name, case.cavity, case.pour) == (BOWL, 1, FIRST)
    assert case.content == fingerprint(desk.day.folder / BOWL)
    assert desk.scan(BOWL)["poured"] == mix["id"]
    assert desk.ask("POST", f"{at}/strike", {})[0] == 200
    assert desk.ask("POST", f"{at}/book", {"left_g": 7}) == (200, 2)


def test_a_tick_is_not_taken_back_while_a_mix_is_booked(desk: Desk, tmp_path: Path) -> None:
    (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
    at = f"/api/mixes/{mix['id']}"
    assert desk.ask("POST", f"{at}/tick", {"poured": True})[0] == 200
    with Journal(tmp_path / "lab.db"):
        pass
    base = sqlite3.connect(tmp_path / "lab.db", isolation_level=None)
    base.execute("BEGIN EXCLUSIVE")  # another program is just writing
    with ThreadPoolExecutor(2) as hands:
        booked = hands.submit(desk.ask, "POST", f"{at}/book", {"left_g": 5})
        time.sleep(0.5)
        unticked = hands.submit(desk.ask, "POST", f"{at}/tick", {"poured": False})
        time.sleep(0.5)
        base.execute("ROLLBACK")
        base.close()
        assert (booked.result()[0], unticked.result()[0]) == (200, 409)
    assert desk.ask("POST", f"{at}/strike", {})[0] == 200
    with Journal(tmp_path / "lab.db", new=False) as journal:
        assert journal.pours() == []


def test_a_scan_in_a_zip_stands_in_the_list(desk: Desk, tmp_path: Path) -> None:
    write_bowl(tmp_path / "inside.stl", "frustum")
    with ZipFile(desk.day.folder / "case.zip", "w") as packed:
        packed.write(tmp_path / "inside.stl", "inside.stl")
    said = desk.shown(lambda said: len(said["scans"]) == 2)
    assert {Path(one["name"]).name for one in said["scans"]} == {BOWL, "inside.stl"}


def test_a_cast_with_a_base_stays_in_its_impression(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    write_bowl(tmp_path / "day" / BOWL)
    based = flat(lab=Lab(second_pour=SecondPour(height_mm=12)), base=parse_base("rim=-1.5"))
    for settings, has_base in ((flat(), False), (based, True)):
        with served(tmp_path / "day", settings=settings) as desk:
            (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
        told = " ".join(mix["steps"])
        assert ("aside for the nodules" in told) == has_base
        assert ("Base of hemisphere.stl:" in told) == has_base
        # After a base it waits as long again before it is separated.
        assert ("Leave it 45 to 60 min, then separate" in told) != has_base
        (cut,) = [note for note in mix["notes"] if "Before the water" in note["text"]] or [None]
        assert (cut is not None) == has_base  # by 1.5 mm, down to the line


def test_ticks_and_bookings_outlive_the_desk(tmp_path: Path) -> None:
    folder = tmp_path / "day"
    folder.mkdir()
    for name in ("hemisphere", "frustum"):
        write_bowl(folder / f"{name}.stl", name)
    with served(folder, journal=tmp_path / "lab.db") as desk:
        desk.shown(lambda said: len(said["mixes"]) == 2)
        assert desk.ask("POST", "/api/share", {"at_most": 2})[0] == 200
        (mix,) = desk.shown(lambda said: len(said["mixes"]) == 1)["mixes"]
        assert len(mix["names"]) == 2
        desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": True})
        desk.ask("POST", f"/api/mixes/{mix['id']}/book", {"left_g": 3})
    with served(folder, journal=tmp_path / "lab.db") as desk:
        said = desk.shown(lambda said: len(said["scans"]) == 2)
        assert [(one["id"], one["booked"], one["left_g"]) for one in said["mixes"]] == [
            (mix["id"], 1, 3.0)
        ]
        assert {one["poured"] for one in said["scans"]} == {mix["id"]}


def test_a_mix_that_is_planned_anew_cannot_be_ticked(desk: Desk) -> None:
    (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
    decide(desk, "save", desk.scan(BOWL)["version"], tried(desk, -4.0)["line"])
    desk.shown(lambda said: said["mixes"] and said["mixes"][0]["id"] != mix["id"])
    assert desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": True})[0] == 409


def test_a_mix_that_is_begun_stays_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    for name in ("hemisphere", "frustum"):
        write_bowl(tmp_path / "day" / f"{name}.stl", name)
    with served(tmp_path / "day", at_most=2) as desk:
        (mix,) = desk.shown(lambda said: said["mixes"] and len(said["scans"]) == 2)["mixes"]
        at = f"/api/mixes/{mix['id']}"
        assert desk.ask("POST", f"{at}/begin", {"begun": True})[0] == 200
        desk.ask("POST", "/api/share", {"at_most": 1})  # somebody else plans anew meanwhile
        decide(desk, "save", desk.scan(BOWL)["version"], tried(desk, -4.0)["line"])
        write_bowl(tmp_path / "day" / "late.stl", "gutter")
        held, other = desk.shown(lambda said: len(said["mixes"]) == 2)["mixes"]
        assert {**held, "begun": None} == {**mix, "booked": None}
        assert [one["name"] for one in other["names"]] == ["late.stl"]
        assert not any(one["poured"] for one in desk.shown()["scans"])
    with served(tmp_path / "day", at_most=2) as desk:  # as the desk is opened again
        assert desk.shown(lambda said: said["mixes"])["mixes"][0]["begun"] == held["begun"]
        assert desk.ask("POST", f"{at}/book", {"left_g": 5})[0] == 409  # not poured yet
        for poured in (True, False, True):
            assert desk.ask("POST", f"{at}/tick", {"poured": poured})[0] == 200
            (first, *_) = desk.shown()["mixes"]
            assert (first["id"], first["poured"] is not None) == (mix["id"], poured)
        assert desk.ask("POST", f"{at}/begin", {"begun": False})[0] == 200  # nothing: it is poured
        assert desk.shown()["mixes"][0]["id"] == mix["id"]
        desk.ask("POST", f"{at}/tick", {"poured": False})
        assert desk.ask("POST", f"{at}/begin", {"begun": False})[0] == 200
        desk.shown(
            lambda said: said["mixes"] and all(one["begun"] is None for one in said["mixes"])
        )
        assert desk.ask("POST", f"{at}/begin", {"begun": True})[0] == 409  # planned anew


def test_news_come_at_once_and_a_stop_ends_them(desk: Desk) -> None:
    link = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=20)
    with contextlib.closing(link):
        link.request("GET", "/api/news", headers={"authorization": f"Bearer {desk.keys.token}"})
        stream = link.getresponse()
        assert stream.getheader("content-type", "").startswith("text/event-stream")
        assert stream.readline().startswith(b"data: ")
        stream.readline()
        desk.ask("POST", "/api/share", {"at_most": 3})
        assert stream.readline().startswith(b"data: ")
        start = time.monotonic()
        desk.server.stop()
        stream.read()
    assert time.monotonic() - start < 2.5  # less than the server's own patience


def test_a_line_for_another_scan_is_removed_on_the_page(desk: Desk, tmp_path: Path) -> None:
    scan = desk.day.folder / BOWL
    decide(desk, "save", desk.scan(BOWL)["version"], tried(desk, -1.0)["line"])
    desk.scan(BOWL, lambda one: one["saved"])
    write_bowl(tmp_path / BOWL, "frustum").replace(scan)  # exported again under the same name
    row = desk.scan(BOWL, lambda one: one["outcome"] == "refused")
    assert row["saved"]
    assert decide(desk, "remove", row["version"])[0] == 200
    row = desk.scan(BOWL, lambda one: one["outcome"] != "refused")
    assert row["volume_ml"] == pytest.approx(tray("frustum").facets_ml(0.0), rel=3e-3)


def test_what_is_poured_stays_so_where_it_is_put_away(tmp_path: Path) -> None:
    (tmp_path / "done").mkdir()
    write_bowl(tmp_path / BOWL)
    with served(tmp_path) as desk:
        (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
        desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": True})
        (tmp_path / BOWL).rename(tmp_path / "done" / BOWL)
        assert desk.scan(f"done/{BOWL}")["poured"] == mix["id"]
    (tmp_path / "done" / BOWL).rename(tmp_path / "b0417.stl")  # while the desk is closed
    with served(tmp_path) as desk:
        assert desk.scan("b0417.stl")["poured"] == mix["id"]
        write_bowl(tmp_path / BOWL)  # a copy that somebody brings once more
        assert desk.scan(BOWL)["poured"] == mix["id"]
        assert [one["id"] for one in desk.shown()["mixes"]] == [mix["id"]]


def test_two_poured_scans_may_change_their_names(tmp_path: Path) -> None:
    ways = [tmp_path / name for name in ("a.stl", "b.stl", "c.stl")]
    write_bowl(ways[0])
    write_bowl(ways[1], "frustum")
    with served(tmp_path) as desk:
        mixes = desk.shown(lambda said: len(said["mixes"]) == 2)["mixes"]
        for mix in mixes:
            desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": True})
        before = {one["name"]: one["poured"] for one in desk.shown()["scans"]}
        for old, new in ((0, 2), (1, 0), (2, 1)):
            ways[old].rename(ways[new])

        def swapped(said: dict[str, Any]) -> bool:
            now = {one["name"]: one["poured"] for one in said["scans"] if not one["again"]}
            return now == {"a.stl": before["b.stl"], "b.stl": before["a.stl"]}

        assert len(desk.shown(swapped)["mixes"]) == 2


def test_scans_of_which_nothing_can_be_told_are_not_taken_for_one_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("volest.desk.state.content_of", lambda _: None)  # held by others
    write_bowl(tmp_path / "a.stl")
    write_bowl(tmp_path / "b.stl", "frustum")
    with served(tmp_path) as desk:
        one, _ = desk.shown(lambda said: len(said["mixes"]) == 2)["mixes"]
        desk.ask("POST", f"/api/mixes/{one['id']}/tick", {"poured": True})
        said = desk.shown(lambda said: any(scan["poured"] for scan in said["scans"]))
        assert sorted(bool(scan["poured"]) for scan in said["scans"]) == [False, True]


def test_a_mix_that_is_begun_is_late_whatever_its_scan_is_called(tmp_path: Path) -> None:
    write_bowl(tmp_path / BOWL)
    taken = datetime.now() - timedelta(minutes=40)  # noqa: DTZ005  # the lab's clock
    write_told(tmp_path / BOWL, taken=taken, material="alginate")
    with served(tmp_path) as desk:
        (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
        assert desk.scan(BOWL)["late"]
        desk.ask("POST", f"/api/mixes/{mix['id']}/begin", {"begun": True})
        for name in (BOWL, f"{BOWL}.decision.toml"):
            (tmp_path / name).rename(tmp_path / name.replace(BOWL, "b0417.stl"))
        assert desk.scan("b0417.stl")["late"]


def test_what_is_put_back_is_the_scan_s_own(desk: Desk) -> None:
    folder = desk.day.folder
    decide(desk, "save", desk.scan(BOWL)["version"], tried(desk, -3.0)["line"])
    assert desk.scan(BOWL, lambda one: one["can_undo"])["saved"]
    beside = f"{BOWL}.decision.toml"
    (folder / beside).rename(folder / "b0417.stl.decision.toml")
    (folder / BOWL).rename(folder / "b0417.stl")
    write_bowl(folder / BOWL, "frustum")  # a new export
    assert desk.scan("b0417.stl", lambda one: one["saved"])["can_undo"]
    desk.scan(BOWL, lambda one: not one["can_undo"])


def test_what_is_poured_is_known_by_its_content(desk: Desk, tmp_path: Path) -> None:
    (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
    desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": True})
    write_bowl(tmp_path / BOWL, "frustum").replace(desk.day.folder / BOWL)  # taken a second time
    said = desk.shown(lambda said: len(said["mixes"]) == 2)
    assert [bool(one["poured"]) for one in said["mixes"]] == [True, False]
    assert said["scans"][0]["poured"] is None


def test_a_scan_that_goes_is_not_mixed_for(desk: Desk) -> None:
    desk.shown(lambda said: said["mixes"])
    (desk.day.folder / BOWL).unlink()
    assert desk.shown(lambda said: not said["mixes"])["scans"] == []


def test_a_scan_that_is_renamed_is_never_missing_nor_there_twice(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_go_on, size = threading.Event(), CardMaker.__call__

    def slowly(maker: CardMaker, *words: Any) -> Any:
        may_go_on.wait(PATIENCE_S)
        return size(maker, *words)

    monkeypatch.setattr(CardMaker, "__call__", slowly)
    desk.shown(lambda said: said["mixes"])
    seen = []

    def named(name: str) -> Callable[[dict[str, Any]], bool]:
        def holds(said: dict[str, Any]) -> bool:
            seen.append((len(said["scans"]), len(said["mixes"])))
            return [one["name"] for one in said["scans"]] == [name]

        return holds

    (desk.day.folder / BOWL).rename(desk.day.folder / "b0417.stl")
    desk.shown(lambda said: named(BOWL)(said) and said["waiting"] == ["b0417.stl"])
    may_go_on.set()
    desk.shown(named("b0417.stl"))
    desk.shown(lambda said: said["mixes"][0]["names"][0]["name"] == "b0417.stl")
    assert set(seen) == {(1, 1)}


def test_time_and_material_are_saved_and_planned_for(desk: Desk) -> None:
    scan = desk.day.folder / BOWL
    one, taken = desk.scan(BOWL), datetime.now().replace(microsecond=0) - timedelta(minutes=5)  # noqa: DTZ005  # the lab's clock
    told = {"taken": f"{taken:%Y-%m-%dT%H:%M}", "material": "alginate"}
    path = f"/api/scans/{one['id']}/tell"
    for wrong in ({"taken": "2999-01-01T00:00"}, {"taken": "noon"}, {"material": "putty"}):
        assert desk.ask("POST", path, {"version": one["version"], **told, **wrong})[0] == 422
    assert not decision_path(scan).exists()
    status, said = desk.ask("POST", path, {"version": one["version"], **told})
    assert status == 200
    row = desk.scan(BOWL, lambda one: one["version"] == said["version"])
    assert (row["taken"], row["material"]) == (told["taken"], "alginate")
    (mix,) = desk.shown(lambda said: said["mixes"] and said["mixes"][0]["names"][0]["by"])["mixes"]
    until = taken.replace(second=0) + timedelta(minutes=15)  # a course page on casts
    assert mix["names"][0]["by"] == f"by {until:%H:%M}"
    (shared,) = Planner().plan([size_scan(scan, flat())], flat()).mixes  # as `size --share`
    assert shared.impressions[0].window == pour_window("alginate")

    decide(desk, "save", row["version"], tried(desk, -2.0)["line"])
    row = desk.scan(BOWL, lambda one: one["saved"])
    assert decide(desk, "remove", row["version"])[0] == 200
    assert (read_decision(scan), read_told(scan).material) == (None, "alginate")


def test_a_material_that_nobody_knows_is_told_and_the_desk_goes_on(desk: Desk) -> None:
    file = decision_path(desk.day.folder / BOWL)
    file.write_text('volest_decision = 1\nmaterial = "putty"\n')
    said = desk.shown(lambda said: not said["mixes"] and said["told"])
    assert "putty" in said["told"][-1]
    file.unlink()
    desk.shown(lambda said: said["mixes"])


def test_cards_of_what_is_not_poured_are_opened_by_a_ticket_once(desk: Desk) -> None:
    write_bowl(desk.day.folder / "frustum.stl", "frustum")
    desk.scan("frustum.stl")
    mixes = desk.shown(lambda said: len(said["mixes"]) == 2)["mixes"]
    (done,) = [mix for mix in mixes if mix["names"][0]["name"] == BOWL]
    (other,) = [mix for mix in mixes if mix is not done]
    desk.ask("POST", f"/api/mixes/{done['id']}/tick", {"poured": True})
    assert desk.ask("GET", "/sheet")[0] == 401
    assert desk.ask("POST", "/api/ticket", {}, authorization="Bearer wrong")[0] == 401
    _, ticket = desk.ask("POST", "/api/ticket", {})
    status, page = desk.ask("GET", f"/sheet?ticket={ticket}")
    text = page.decode()
    assert status == 200
    assert "frustum.stl" in text
    assert BOWL not in text
    assert other["powder"].replace("\N{NO-BREAK SPACE}", " ").split(" ")[0] in text
    assert desk.ask("GET", f"/sheet?ticket={ticket}")[0] == 401


def test_cards_of_a_mix_that_is_begun_are_printed_as_it_began(desk: Desk) -> None:
    (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
    at = f"/api/mixes/{mix['id']}"
    assert desk.ask("POST", f"{at}/print", {})[0] == 409  # it is not begun
    desk.ask("POST", f"{at}/begin", {"begun": True})
    status, ticket = desk.ask("POST", f"{at}/print", {})
    assert status == 200
    status, page = desk.ask("GET", f"/sheet?ticket={ticket}&mix={mix['id']}")
    text = page.decode()
    assert (status, text.count("<article")) == (200, 1)
    assert f">{mix['powder_g']:.0f}</output> g" in text
    decide(desk, "save", desk.scan(BOWL)["version"], tried(desk, -4.0)["line"])
    desk.scan(BOWL, lambda one: one["saved"])
    assert desk.ask("POST", f"{at}/print", {})[0] == 409  # the card would say another amount


def test_a_mix_that_was_ticked_by_mistake_is_as_it_was(desk: Desk) -> None:
    (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
    for begun in (False, True):
        if begun:
            desk.ask("POST", f"/api/mixes/{mix['id']}/begin", {"begun": True})
        desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": True})
        desk.shown(lambda said: said["mixes"][0]["poured"])
        desk.ask("POST", f"/api/mixes/{mix['id']}/tick", {"poured": False})
        (left,) = desk.shown(lambda said: said["mixes"] and not said["mixes"][0]["poured"])["mixes"]
        assert bool(left["begun"]) is begun


def test_marked_teeth_are_poured_as_dies(desk: Desk) -> None:
    scan = desk.day.folder / BOWL
    one = size_scan(scan, flat())

    def kind() -> str:
        return Planner().plan([one], flat()).mixes[0].impressions[0].kind

    assert kind() == "quadrant"
    write_preparations(scan, [(0.0, 0.0, 0.0)])
    assert kind() == "dies"


def test_what_only_a_guide_finds_stands_in_the_list_and_once_on_the_sheet(tmp_path: Path) -> None:
    # A cone that widens downwards holds its cast all round: see tests/cavity/test_separation.py.
    cone = Manifold.cylinder(15.0, 18.0, 15.0, 128).translate((0.0, 0.0, -15.0))
    held = bed(cone + Manifold.cylinder(1.0, 15.0, 15.0, 128))
    (tmp_path / "held.stl").write_bytes(writers.stl_binary(corners_of(held)))
    for _ in range(2):  # the second time it is known from the first
        with served(tmp_path, settings=Settings()) as desk:
            row = desk.scan("held.stl")
            (mix,) = desk.shown(lambda said: said["mixes"])["mixes"]
            sheet = desk.day.sheet(None).replace("\N{NO-BREAK SPACE}", " ")
        assert "ridge-undercut" in [note["code"] for note in row["notes"]]
        assert row["outcome"] == "measured with notes"
        assert mix["names"][0]["name"] == "held.stl"
        assert sheet.count("do not pull the cast out in one piece") == 2  # as `size --sheet` has it


def test_two_tablets_leave_each_other_their_editors(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []

    class Counted(BaseLineEditor):
        def __init__(self, path: Path, *words: Any) -> None:
            made.append(path.name)
            super().__init__(path, *words)

    monkeypatch.setattr("volest.desk.state.BaseLineEditor", Counted)
    for name in ("hemisphere", "frustum"):
        write_bowl(tmp_path / f"{name}.stl", name)
    with served(tmp_path) as desk:

        def look(name: str) -> dict[str, Any]:
            row = desk.scan(f"{name}.stl")
            return desk.day.tried(row["id"], row["version"], -2.0, 0.0, 0.0, patches=[])

        look("frustum")
        line, row = look("hemisphere")["line"], desk.scan(BOWL)
        said = desk.day.save(row["id"], row["version"], **line)
        desk.scan(BOWL, lambda one: one["version"] == said["version"])
        for name in ("hemisphere", "frustum"):
            look(name)
    assert made == ["frustum.stl", BOWL, BOWL]  # anew for its new line; the other is kept
