"""The house rules that a machine can hold: who imports whom, and what stays where."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "volest"
FILES = sorted(ROOT.rglob("*.py"))
# From the bottom up; a room imports from rooms below it only.
GROUND = ("errors", "notes", "lab", "learned", "settings", "given_files", "data_base")
ORDER = (
    "scan",
    "cavity",
    "stone",
    "result",
    "pipeline",
    "sheet",
    "journal",
    "batch",
    "view",
    "api",
    "cli",
    "__main__",
)
LEVEL = {**dict.fromkeys(GROUND, 0), **{room: at for at, room in enumerate(ORDER, start=1)}}
ONLY_IN = {
    "trimesh": "scan",
    "pyvista": "view",
    "vtk": "view",
    "click": "cli",
    "sqlite3": "data_base",
}
ONLY_IN |= dict.fromkeys(("pebble", "watchfiles", "distributed", "fsspec"), "batch")
BROAD = {"batch/workers.py", "cli/main.py"}  # the edge of the batch and the edge of the program
BANNED_NAMES = {"utils", "helpers", "common", "misc"}


def name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).with_suffix("").parts[0]


def imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            assert node.module is not None
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def rooms_used(tree: ast.AST) -> set[str]:
    parts = [module.split(".") for module in imports(tree)]
    return {part[1] for part in parts if part[0] == "volest" and len(part) > 1} & set(LEVEL)


@pytest.fixture(params=FILES, ids=name)
def path(request: pytest.FixtureRequest) -> Path:
    assert isinstance(request.param, Path)
    return request.param


@pytest.fixture
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def test_nothing_imports_upward(path: Path, tree: ast.Module) -> None:
    room = room_of(path)
    if room == "__init__":
        assert rooms_used(tree) <= {"api"}  # by name only; a test of the API sees that it is late
        return
    assert room in LEVEL, f"a room that the order does not know: {room}"
    above = {used for used in rooms_used(tree) if used != room and LEVEL[used] >= LEVEL[room] > 0}
    assert not above
    if room in GROUND:
        assert rooms_used(tree) <= set(GROUND)


def test_stone_knows_nothing_of_scans(path: Path, tree: ast.Module) -> None:
    if room_of(path) == "stone":
        assert not rooms_used(tree) & {"scan", "cavity"}


def test_libraries_stay_in_their_rooms(path: Path, tree: ast.Module) -> None:
    used = {module.split(".")[0] for module in imports(tree)}
    strays = {library for library in used if ONLY_IN.get(library, room_of(path)) != room_of(path)}
    assert not strays


def test_slow_libraries_are_imported_late(tree: ast.Module) -> None:
    late = {"trimesh", "pyvista", "vtk"}
    top = ast.Module(
        body=[node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)],
        type_ignores=[],
    )
    assert not late & {module.split(".")[0] for module in imports(top)}


def test_only_the_command_line_prints(path: Path, tree: ast.Module) -> None:
    if room_of(path) == "cli":
        return
    called = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
    assert not [func for func in called if isinstance(func, ast.Name) and func.id == "print"]
    exits = {"sys.exit", "os._exit", "exit", "quit"}
    assert not [func for func in called if ast.unparse(func) in exits]


def test_names_say_what_is_in_them(path: Path) -> None:
    assert path.stem not in BANNED_NAMES


def test_broad_excepts_stand_at_the_two_edges(path: Path, tree: ast.Module) -> None:
    handlers = [node for node in ast.walk(tree) if isinstance(node, ast.ExceptHandler)]
    broad = [
        h for h in handlers if h.type is None or "Exception" in ast.unparse(h.type).split(", ")
    ]
    broad = [
        h for h in broad if h.type is None or ast.unparse(h.type) in {"Exception", "BaseException"}
    ]
    assert len(broad) == (name(path) in BROAD)


def test_the_order_names_every_room() -> None:
    assert {room_of(path) for path in FILES} - {"__init__"} <= set(LEVEL)
    assert len(FILES) > len(GROUND)
