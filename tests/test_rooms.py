"""The house rules that a machine can hold: who imports whom, and what stays where.

The order of the rooms, and which library is whose, stand in pyproject.toml as contracts.
"""

import ast
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[1] / "volest"
TREES = {
    path.relative_to(ROOT).as_posix(): ast.parse(path.read_text(encoding="utf-8"), str(path))
    for path in sorted(ROOT.rglob("*.py"))
}
LATE = {"trimesh", "pyvista", "vtk", "vtkmodules"}
BROAD = {"batch/workers.py", "cli/main.py"}  # the edge of the batch and the edge of the program
BANNED_NAMES = {"utils", "helpers", "common", "misc"}


def imported(nodes: Sequence[ast.AST]) -> set[str]:
    names = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    return names | {
        f"{'.' * node.level}{node.module}" for node in nodes if isinstance(node, ast.ImportFrom)
    }


def test_imports_keep_to_the_contracts() -> None:
    run = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=ROOT.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr


def test_imports_are_written_in_full() -> None:
    assert not [
        name
        for name, tree in TREES.items()
        if any(module.startswith(".") for module in imported([*ast.walk(tree)]))
    ]


def test_slow_libraries_are_imported_late() -> None:
    early = {
        name: LATE & {module.split(".")[0] for module in imported(tree.body)}
        for name, tree in TREES.items()
    }
    assert not {name: found for name, found in early.items() if found}


def test_only_the_command_line_prints() -> None:
    called = {
        name: {ast.unparse(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
        for name, tree in TREES.items()
        if not name.startswith("cli/")
    }
    outlets = {"print", "sys.exit", "os._exit", "exit", "quit"}
    assert not {name: found & outlets for name, found in called.items() if found & outlets}


def test_what_differs_by_system_is_asked_in_one_module() -> None:
    # Modules and names that Python's library reference marks as of some systems only, and those by
    # which a program asks which system it is on or starts another.
    modules = {
        "fcntl",
        "msvcrt",
        "winreg",
        "resource",
        "termios",
        "tty",
        "pwd",
        "grp",
        "ctypes",
        "platform",
    }
    asked = (
        {"os.name", "os.fork", "os.setsid", "os.nice", "os.sysconf", "os.sched_getaffinity"}
        | {"os.spawnv", "os.cpu_count", "os.kill", "os.getuid", "os.geteuid", "os.uname"}
        | {"sys.platform", "sys.executable", "sys.frozen", "sys.getwindowsversion"}
        | {"signal.SIGKILL", "signal.SIGHUP", "signal.SIGALRM", "signal.alarm", "signal.setitimer"}
    )
    found = {
        name: (imported([*ast.walk(tree)]) & modules)
        | {ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute)} & asked
        for name, tree in TREES.items()
        if name != "system.py"
    }
    assert not {name: words for name, words in found.items() if words}


def test_names_say_what_is_in_them() -> None:
    assert not BANNED_NAMES & {Path(name).stem for name in TREES}


def test_broad_excepts_stand_at_the_two_edges() -> None:
    broad = [
        name
        for name, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or ast.unparse(node.type) in {"Exception", "BaseException"})
    ]
    assert sorted(broad) == sorted(BROAD)
