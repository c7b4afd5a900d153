"""The store of finished scans: what reads back the same, and files that are none of ours."""

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from tests.report.invented import measured
from volest.batch.find import Content
from volest.batch.store import FileStore
from volest.errors import UsageError

CONTENT = Content(name="a.stl", size=84, mark="f00d", decision="none")


def test_what_is_put_reads_back_the_same_after_closing(tmp_path: Path) -> None:
    result = measured("a.stl")
    store = FileStore(tmp_path / "finished.db")
    assert store.put("k", CONTENT, result)
    store.close()
    store = FileStore(tmp_path / "finished.db")
    again = store.get("k")
    assert again is not None
    assert json.dumps(again.to_dict()) == json.dumps(result.to_dict())
    assert store.may_know("a.stl", 84)
    assert not store.may_know("a.stl", 85)
    assert store.get("another") is None
    store.close()


def test_what_would_not_read_back_is_not_kept(tmp_path: Path) -> None:
    store = FileStore(tmp_path / "finished.db")
    assert not store.put("k", CONTENT, replace(measured("a.stl"), scan="a\udcff.stl"))
    assert store.get("k") is None
    store.close()


def test_a_newer_store_and_what_is_none_are_refused(tmp_path: Path) -> None:
    FileStore(tmp_path / "finished.db").close()
    base = sqlite3.connect(tmp_path / "finished.db")
    base.execute("PRAGMA user_version = 99")
    base.close()
    with pytest.raises(UsageError, match="version 99"):
        FileStore(tmp_path / "finished.db")
    (tmp_path / "other.db").write_text("no data base at all, long enough to be read\n" * 30)
    with pytest.raises(UsageError, match="not a database"):
        FileStore(tmp_path / "other.db")


def test_another_programs_data_base_stays_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "finished.db"
    base = sqlite3.connect(file)
    base.execute("CREATE TABLE patients (name TEXT)")
    base.close()
    before = file.read_bytes()
    with pytest.raises(UsageError, match="another program's"):
        FileStore(file)
    assert file.read_bytes() == before
