"""What a result hangs on: the scan's content, the settings, and all the code that made it."""

import ast
from pathlib import Path

import pytest

from tests.batch.small import QUICK, fill, sized
from volest.batch import workers
from volest.batch.find import content_of
from volest.batch.store import key_of, run_mark
from volest.batch.workers import MAKERS, maker_mark
from volest.settings import Settings

ROOT = Path(__file__).parents[2] / "volest"


def test_what_a_key_hangs_on(tmp_path: Path) -> None:
    (path,) = fill(tmp_path, 1)
    content = content_of(path)
    assert content is not None
    keys = {
        key_of(content, run_mark(settings))
        for settings in (QUICK, Settings(), Settings(stone="type-3"), Settings(obey_saved=False))
    }
    assert len(keys) == 4
    assert content_of(tmp_path / "missing.stl") is None
    assert len(maker_mark()) == 64


def file_of(module: str) -> Path | None:
    path = ROOT.joinpath(*module.split(".")[1:])
    found = [file for file in (path.with_suffix(".py"), path / "__init__.py") if file.is_file()]
    return found[0] if found else None


def imported(file: Path) -> set[Path]:
    nodes = ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    froms = [node for node in nodes if isinstance(node, ast.ImportFrom) and node.module]
    names = [(node.module or "", alias.name) for node in froms for alias in node.names]
    found = {file_of(f"{module}.{name}") or file_of(module) for module, name in names
             if module.startswith("volest.")}  # fmt: skip
    return {file for file in found if file is not None}


def test_all_code_that_makes_a_result_or_its_card_is_in_the_mark() -> None:
    seen: set[Path] = set()
    ahead = {ROOT / "pipeline.py", ROOT / "view" / "page.py"}
    while ahead:
        seen |= ahead
        ahead = {file for one in ahead for file in imported(one)} - seen
    assert len(seen) > 40
    makers = [ROOT / name for name in MAKERS]
    assert all(maker.exists() for maker in makers)
    assert not [f for f in seen if not any(f == m or m in f.parents for m in makers)]


def test_a_run_that_keeps_nothing_does_not_read_the_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "MAKERS", ("no such file",))
    workers.maker_mark.cache_clear()
    (path,) = fill(tmp_path, 1)
    assert sized([path])[0].outcome == "measured"
    assert workers.maker_mark.cache_info().currsize == 0
