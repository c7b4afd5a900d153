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
    broad = {
        name
        for name, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or ast.unparse(node.type) in {"Exception", "BaseException"})
    }
    assert broad == BROAD


# What may open a file for writing besides `storage`: copies of scans for the run alone, the file
# that holds a folder, and SQLite's own.
WRITERS = {
    "storage.py": {"open", "unlink", "replace"},
    "batch/find.py": {"get_file", "unlink"},
    "cli/options.py": {"write_bytes"},
    "journal.py": {"unlink", "copyfile"},
    "run.py": {"unlink"},
    "compile.py": {"touch"},
    "system.py": {"os.open"},
    "scan/decision.py": {"unlink"},
    "desk/server.py": {"open", "unlink"},
    "desk/state.py": {"unlink"},
    "scan/compiling.py": {"touch"},
    "cli/main.py": {"os.open"},
}
ALWAYS = {"write_text", "write_bytes", "touch", "symlink_to", "hardlink_to", "rename", "unlink",
          "rmtree", "copyfile", "copy2", "copyfileobj", "move", "mkstemp", "NamedTemporaryFile",
          "tofile", "truncate", "get_file"}  # fmt: skip


def writes(tree: ast.AST) -> set[str]:
    """Name the calls of a module that could put something on a disk."""
    found = set()
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        whole = ast.unparse(node.func)
        name = whole.rpartition(".")[2]
        modes = [ast.unparse(word) for word in (*node.args, *(k.value for k in node.keywords))]
        opens = name == "open" and any(
            set(mode) & set("wax+") and mode[0] in "'\"" for mode in modes
        )
        if name in ALWAYS or opens:
            found.add(name)
        elif whole in {"os.open", "os.replace", "os.rename", "os.remove"}:
            found.add(whole)
        elif name in {"savefig", "save", "dump", "to_csv"} and node.args:
            if (
                isinstance(node.args[0], ast.Constant)
                or "path" in ast.unparse(node.args[0]).lower()
            ):
                found.add(name)
        elif name == "replace" and len(node.args) == 1 and not node.keywords:
            found.add(name)  # of a path; that of a text takes two words, that of a record names
    return found


def test_every_file_is_written_in_one_way() -> None:
    found = {name: writes(tree) for name, tree in TREES.items()}
    assert {name: calls for name, calls in found.items() if calls} == WRITERS


def test_a_writer_that_goes_around_is_found() -> None:
    for line in ("path.write_text('x')", "open(path, 'w')", "path.open('xb')", "os.replace(a, b)",
                 "part.replace(target)", "figure.savefig(path)", "shutil.move(a, b)"):  # fmt: skip
        assert writes(ast.parse(line)), line
    for line in ("text.replace('a', 'b')", "replace(record, a=1)", "path.open('rb')",
                 "figure.savefig(stream)"):  # fmt: skip
        assert not writes(ast.parse(line)), line
