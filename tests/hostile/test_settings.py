"""Hostile or old settings, lab files, decisions and journals: one clear line and no harm."""

import json
import os
import sqlite3
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hostile.calling import BOWL, NOBODY, call, snapshot
from tests.marks import slow
from volest import journal as journals
from volest.errors import LabError, ScanError, UsageError, VolestError
from volest.journal import COLUMNS, VERSION, Delivery, checksum
from volest.scan.decision import Decision, decision_path, read_decision, write_decision
from volest.settings import parse_base
from volest.stone.lab_file import check_lab, read_lab_and_habits

quiet = settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
NUMBERS = ["nan", "inf", "-1", "1e400", "1,5", "",
           *slow("-inf", "1e308", "-1e308", "1e-320", "0", "0x10")]  # fmt: skip
OPTIONS = ("--pitch", "--wp", "--waste", "--residue", "--extra-water", "--second-pour", "--age")
DEEP = 20_000


@pytest.mark.parametrize("option", OPTIONS)
@pytest.mark.parametrize("number", NUMBERS)
def test_no_number_on_the_command_line_is_a_fault(option: str, number: str, tmp_path: Path) -> None:
    share = ("--share", "--material", "alginate") if option == "--age" else ()
    (tmp_path / "b.stl").write_bytes(b"")
    said = call("size", "b.stl", "--quiet", *share, f"{option}={number}", folder=tmp_path)
    assert said.code in {1, 2}  # the scan is empty, so 1 where the number can be meant
    if said.code == 2:
        assert said.line


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("words", [("mix",), ("mix", "50", "--second-pour", "9", "--footprint")])
def test_no_volume_is_a_fault(words: tuple[str, ...], number: str, tmp_path: Path) -> None:
    said = (
        call(*words, "--", number, folder=tmp_path)
        if words == ("mix",)
        else call(*words, number, folder=tmp_path)
    )
    assert said.code == 2, said
    assert said.line


PLANES = ("0,0,0,0,0,0", "0,0,0,0,0,1e-300", "1e300,0,0,0,0,1", "0,0,0,1e308,1e308,1e308", "nan",
          "0,0,0,0,0,nan", "0,0,0,0,0", "0,0,0,0,0,1,2", "")  # fmt: skip


@pytest.mark.parametrize(
    "base",
    [*(f"plane={plane}" for plane in PLANES), *(f"rim={x}" for x in ("nan", "1e300", "", "1,2")),
     *(f"depth={x}" for x in ("0", "-1", "inf")), "cover=", "cover=1e9", "saved", "saved=1", "\x1b",
     "rim=" + "9" * 5000],
)  # fmt: skip
def test_no_base_line_that_means_nothing(base: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_base(base)
    assert caught.value.needed.startswith("rim, ")


@pytest.mark.parametrize("base", ["rim=1e6", "rim=-1e6", "depth=1e-300", "depth=1e6", "cover=1e6",
                                  "plane=1e6,1e6,1e6,1e-3,0,0", "plane=0,0,0,1,0,0",
                                  "plane=0,0,0,0,0,-1", "plane=0,0,-5,1,1,1e-9"])  # fmt: skip
def test_an_odd_base_line_is_told(base: str, tmp_path: Path) -> None:
    (tmp_path / "b.stl").write_bytes(BOWL)
    words = ("--pitch", "0.8", "--json", "o.json", "--quiet", f"--base={base}")
    said = call("size", "b.stl", *words, folder=tmp_path)
    assert said.code in {0, 1}
    (scan,) = json.loads((tmp_path / "o.json").read_text(encoding="utf-8"))["scans"]
    assert scan["outcome"] == "refused" or scan["notes"]


def value_words() -> st.SearchStrategy[str]:
    numbers = st.sampled_from(["nan", "inf", "-inf", "1e400", "-1", "0", "9" * 5000,
                               "0x" + "f" * 9000, "1e-320", "1979-05-27"])  # fmt: skip
    texts = st.sampled_from(['"x"', '""', '"\\u0000"', '"\\u202e"', "true", "[]", "{}", "[[1]]",
                             "{a=1}", "[" * 300 + "]" * 300, '"' + "x" * 9000 + '"'])  # fmt: skip
    return numbers | texts


def refusal(call: Callable[[], object]) -> VolestError | None:
    try:
        call()
    except VolestError as fault:
        return fault
    return None


LAB_KEYS = ("bench.scale_step_g", "bench.water_c", "currency", "risk_percent", "way.hand",
            "way.vacuum.residue_ml", "second_pour.height_mm", "second_pour.stone", "stone", "bowl",
            "bench", "unknown")  # fmt: skip


@quiet
@given(key=st.sampled_from(LAB_KEYS), value=value_words())
def test_any_value_in_a_lab_file_is_taken_or_told(key: str, value: str, tmp_path: Path) -> None:
    path = tmp_path / "lab.toml"
    path.write_text(f"{key} = {value}\n", encoding="utf-8")
    told = refusal(lambda: read_lab_and_habits(path)[0])
    if told is not None:
        assert isinstance(told, LabError)
        assert len(str(told)) < 2000
        assert "lab.toml" in str(told)


@quiet
@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["stone", "bowl", "name", "like", "wp", "bench", "way", "hand", "x"]),
        inner, max_size=4),
    max_leaves=12).filter(lambda values: isinstance(values, dict)))  # fmt: skip
def test_any_tables_are_a_lab_or_are_told(values: dict[str, object]) -> None:
    told = refusal(lambda: check_lab(values, "lab.toml"))
    assert told is None or isinstance(told, LabError)


HOSTILE_TEXTS = {
    "nested": b"a = " + b"[" * DEEP + b"]" * DEEP,
    "tables": b"a" + b".a" * DEEP + b" = 1",
    "digits": b"a = " + b"9" * 5000,
    "no text": b"\xff\xfe\x00",
    "no TOML": b"a == 1\n",
    "twice": b"a = 1\na = 2\n",
    "a zip": b"PK\x03\x04" + bytes(50),
    "large": b"# " + b"x" * 1_100_000,
}


@pytest.mark.parametrize("name", HOSTILE_TEXTS)
def test_a_lab_file_that_is_none(name: str, tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_bytes(HOSTILE_TEXTS[name])
    said = call("mix", "50", "--lab", "lab.toml", folder=tmp_path)
    assert said.code == 2
    assert "lab.toml" in said.line


@pytest.mark.parametrize("name", HOSTILE_TEXTS)
def test_a_decision_that_is_none(name: str, tmp_path: Path) -> None:
    (tmp_path / "b.stl").write_bytes(BOWL)
    decision_path(tmp_path / "b.stl").write_bytes(HOSTILE_TEXTS[name])
    with pytest.raises(ScanError) as caught:
        read_decision(tmp_path / "b.stl")
    assert caught.value.code == "decision"
    assert len(str(caught.value)) < 400


@quiet
@given(
    key=st.sampled_from(["volest_decision", "scan_sha256", "base_line.point_mm", "base_line.normal",
                         "base_line", "patch", "preparations"]),
    value=value_words() | st.sampled_from(["[0,0,nan]", "[1e300,0,0]", "[0,0,0]", "[0,0,1e-300]",
                                           "[true,0,1]", f"[0, 0, 0x{'f' * 400}]", '["0",0,1]']),
)  # fmt: skip
def test_any_value_in_a_decision_is_told(key: str, value: str, tmp_path: Path) -> None:
    scan = tmp_path / "b.stl"
    scan.write_bytes(BOWL)
    write_decision(scan, Decision(point_mm=(0.0, 0.0, 1.0), normal=(0.0, 0.0, 1.0)))
    path = decision_path(scan)
    lines = path.read_text(encoding="utf-8").replace("[base_line]\n", "")
    lines = lines.replace("point_mm", "base_line.point_mm").replace("normal", "base_line.normal")
    kept = [line for line in lines.splitlines() if not line.startswith(key)]
    if key.startswith("base_line."):  # the list runs over several lines
        start = lines.index(key)
        kept = (lines[:start] + lines[lines.index("]", start) + 2 :]).splitlines()
    path.write_text("\n".join([*kept, f"{key} = {value}", ""]), encoding="utf-8")
    told = refusal(lambda: read_decision(scan))
    if told is not None:
        assert told.code == "decision"
        assert len(str(told)) < 400
    else:
        fine = {("patch", "[]"), ("preparations", "[]"), ("base_line.point_mm", "[0,0,0]")}
        assert (key, value) in fine | {("base_line.point_mm", "[0,0,1e-300]")}


def journal_words(*words: str) -> tuple[str, ...]:
    return ("log", "--journal", "j.db", "--volume", "50", "--powder", "103", "--water", "20.6",
            "--left", "9", *words)  # fmt: skip


STRANGE = {
    "another program's": "CREATE TABLE patients (name TEXT)",
    "a newer one": "PRAGMA user_version = 99",
    "below 0": "PRAGMA user_version = -1",
    "without its table": "PRAGMA user_version = 1",
    "an endless view": "CREATE VIEW pours AS WITH RECURSIVE r(x) AS (SELECT 1 UNION ALL SELECT x "
    "FROM r) SELECT x AS number FROM r; PRAGMA user_version = 1",
    "a trigger": "CREATE TABLE pours (number INTEGER PRIMARY KEY, x); CREATE TRIGGER t AFTER "
    "INSERT ON pours BEGIN DELETE FROM pours; END; PRAGMA user_version = 1",
    "other columns": "CREATE TABLE pours (number INTEGER PRIMARY KEY); PRAGMA user_version = 1",
}


@pytest.mark.parametrize("name", STRANGE)
@pytest.mark.parametrize("words", [journal_words(), ("mix", "50", "--journal", "j.db")])
def test_a_strange_journal_is_left_as_it_is(
    name: str, words: tuple[str, ...], tmp_path: Path
) -> None:
    base = sqlite3.connect(tmp_path / "j.db")
    base.executescript(STRANGE[name])
    base.close()
    before = snapshot(tmp_path)
    said = call(*words, folder=tmp_path)
    assert said.code == 2
    assert "j.db" in said.line
    if name != "other columns":  # that one is found out only when it is used
        assert snapshot(tmp_path) == before


FIELDS = (
    "volume_ml",
    "powder_g",
    "water_ml",
    "mix_ml",
    "left_g",
    "left_ml",
    "stone",
    "way",
    "booked",
)
DELIVERED = [field.name for field in fields(Delivery)]


@pytest.mark.parametrize("field", FIELDS)
@pytest.mark.parametrize(
    "value", ["'x'", "NULL", "-1.0", *slow("X'00ff'", "9e999", "-9e999", "0.0")]
)
@pytest.mark.parametrize("command", ["log", *slow("mix")])
def test_a_journal_that_somebody_wrote_into_is_told(
    command: str, field: str, value: str, tmp_path: Path
) -> None:
    good = {"stone": "'type-4'", "way": "'hand'", "booked": "'2031-05-04T09:30:00+00:00'"}
    good |= {"volume_ml": "50.0", "powder_g": "103.0", "water_ml": "20.6", "mix_ml": "57.92"}
    good |= {"left_g": "9.0", "left_ml": "4.22", "lot": "'7'", "mark": "'K'", "scan": "'b.stl'"}
    good |= {"number": "1", "volume_u_ml": "0.0", field: value}
    base = sqlite3.connect(tmp_path / "j.db")
    # One who takes no care of the types, but of the checksum.
    row = base.execute("SELECT " + ", ".join(good.get(name, "NULL") for name in COLUMNS)).fetchone()
    for table, columns in (("pours", COLUMNS), ("deliveries", DELIVERED)):
        base.execute(f"CREATE TABLE {table} ({', '.join(columns)}, checksum)")
    marks = ", ".join("?" * (len(row) + 1))
    base.execute(f"INSERT INTO pours VALUES ({marks})", (*row, checksum(*row)))  # noqa: S608  # own words
    base.execute(f"PRAGMA user_version = {VERSION}")
    base.commit()
    base.close()
    fine = (field, value) == ("stone", "'x'") or (
        field in {"left_g", "left_ml"} and value in {"-1.0", "0.0"}  # it was short, or all poured
    )
    words = ("mix", "50") if command == "mix" else ("log",)
    said = call(*words, "--journal", "j.db", folder=tmp_path)
    assert said.code == 0, said
    assert ("pour 1 is damaged or missing" in said.err) is not fine
    assert command == "mix" or ("1 pour," in said.out) is fine


def test_a_locked_journal_is_told_after_a_while(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert call(*journal_words(), folder=tmp_path).code == 0
    base = sqlite3.connect(tmp_path / "j.db", isolation_level=None)
    base.execute("BEGIN EXCLUSIVE")
    monkeypatch.setattr("volest.journal.WAIT_S", 0.1)
    said = call(*journal_words(), folder=tmp_path)
    base.execute("ROLLBACK")
    base.close()
    assert said.code == 2
    assert "locked" in said.line
    assert "close the program" in said.line
    assert call(*journal_words(), folder=tmp_path).out.startswith("type-4, mixed under vacuum: 2")


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser may become somebody else")
@pytest.mark.parametrize("words", [journal_words(), ("lab", "--new", "lab.toml"),
                                   ("mix", "50", "--json", "o.json"),
                                   ("size", "b.stl", "--json", "o.json")])  # fmt: skip
def test_a_folder_that_may_not_be_written_into_is_told(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    (tmp_path / "b.stl").write_bytes(BOWL)
    call(*journal_words(), folder=tmp_path)
    (tmp_path / "j.db").chmod(0o444)
    tmp_path.chmod(0o555)
    before = snapshot(tmp_path)
    said = call(*words, folder=tmp_path, user=NOBODY)
    assert said.code == 2
    assert said.line
    assert snapshot(tmp_path) == before


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser may become somebody else")
@pytest.mark.parametrize("is_closed", [True, False])
def test_a_journal_that_may_only_be_read_is_read(is_closed: bool, tmp_path: Path) -> None:
    base = sqlite3.connect(tmp_path / "j.db")  # keeps what is booked beside the file
    call(*journal_words(), folder=tmp_path)
    base.execute("SELECT 1 FROM pours").fetchall()
    call(*journal_words(), folder=tmp_path)
    if is_closed:
        base.close()
    for path in tmp_path.iterdir():
        path.chmod(0o444)
    tmp_path.chmod(0o555)
    before = snapshot(tmp_path)
    said = call("log", "--journal", "j.db", folder=tmp_path, user=NOBODY)
    assert said.code == 0, said
    assert "under vacuum: 2 pours" in said.out
    learned = call("mix", "50", "--journal", "j.db", folder=tmp_path, user=NOBODY)
    assert "Learned from 2 pours" in learned.out
    struck = call("log", "--journal", "j.db", "--strike", "1", folder=tmp_path, user=NOBODY)
    assert struck.code == 2
    assert "no right to write" in struck.err
    assert snapshot(tmp_path) == before
    base.close()


JSONS = {
    "nested": b'{"a":' + b"[" * DEEP + b"]" * DEEP + b"}",
    "digits": b'{"powder_g": ' + b"9" * 5000 + b"}",
    "wide number": b'{"stone":"type-4","mix_ml":1e308,"waste_ml":-1e308,"powder_g":1,"water_ml":1}',
    "not a number": b'{"stone":"type-4","mix_ml":NaN,"waste_ml":1,"powder_g":1,"water_ml":1}',
    "words": b'{"stone":"type-4","mix_ml":"x","waste_ml":1,"powder_g":1,"water_ml":1}',
    "lists": b'{"stone":[],"mix_ml":58,"waste_ml":8,"powder_g":[1],"water_ml":20}',
    "no water": b'{"stone":"type-4","mix_ml":58,"waste_ml":8,"powder_g":0,"water_ml":0}',
    "a way": b'{"settings":{"way":"\\u001b[2J"},"stone":"type-4","mix_ml":58,"waste_ml":8,'
    b'"powder_g":103,"water_ml":20.6}',
    "an array": b"[]",
    "settings": b'{"settings": 3}',
    "scans": b'{"scans": {"a": 1}}',
    "no text": b"\xff\xfe",
    "empty": b"",
}


@pytest.mark.parametrize("name", JSONS)
def test_figures_of_a_strange_file_are_never_booked(name: str, tmp_path: Path) -> None:
    (tmp_path / "m.json").write_bytes(JSONS[name])
    words = ("log", "--journal", "j.db", "--from", "m.json", "--left", "9")
    said = call(*words, folder=tmp_path)
    assert said.code == 2
    assert said.line
    assert not journals.Journal(tmp_path / "j.db").entries()


def test_a_fault_goes_through_a_pipe_between_processes_whole() -> None:
    fault = ScanError("a", needed="b", remedy="c", code="d")
    rebuild, parts = fault.__reduce__()
    again = rebuild(*parts)
    assert isinstance(again, VolestError)
    assert (str(again), again.code) == (str(fault), "d")
