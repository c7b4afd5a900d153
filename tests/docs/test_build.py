"""The pages build without a warning, load nothing from elsewhere, and leave nothing out."""

import ast
import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.docs.fenced import DOCS, ROOT
from volest.cli.main import volest_group
from volest.errors import MENDS
from volest.notes import CATALOGUE

NEEDED = ("sphinx", "myst_parser")
# What a browser fetches by itself; plain links are followed by people only.
_LOADS = re.compile(
    r"""<(?:script|img|iframe|source|link)\b[^>]*?(?:src|href)\s*=\s*["'](?:https?:)?//[^"']*"""
    r"""|@import\s+(?:url\()?["']?(?:https?:)?//[^"')]*|url\(\s*["']?(?:https?:)?//[^"')]*""",
    flags=re.IGNORECASE,
)
_ROW = re.compile(r"^\| (.*) \|$", flags=re.MULTILINE)
_CODE = re.compile(r"`([a-z]+(?:-[a-z]+)*)`")
# Base classes hand these on; every raise of theirs names its own.
_NEVER_SEEN = {"refused", "mix"}


def _read(page: str) -> str:
    return (DOCS / page).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    assert not missing, f"{missing} missing; run: pip install -e '.[docs]'"
    folder = tmp_path_factory.mktemp("pages")
    strict = ["-W", "--keep-going", "-n", "-q", "-b", "html"]
    run = subprocess.run(
        [sys.executable, "-m", "sphinx", *strict, "-d", folder / "made", DOCS, folder / "html"],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert run.returncode == 0, run.stderr
    return folder / "html"


@pytest.mark.slow
def test_nothing_is_loaded_from_elsewhere(built: Path) -> None:
    for kind in ("*.html", "*.css"):
        for page in built.rglob(kind):
            found = _LOADS.findall(page.read_text(encoding="utf-8"))
            assert not found, f"{page.name}: {found}"


@pytest.mark.slow
def test_every_page_is_reached_from_the_start(built: Path) -> None:
    pages = {path.relative_to(built).as_posix() for path in built.rglob("*.html")}
    reached, to_read = set[str](), ["index.html"]
    while to_read:
        name = to_read.pop()
        if name not in pages or name in reached:
            continue
        reached.add(name)
        links = re.findall(r'href="([^"#:]+\.html)', (built / name).read_text("utf-8"))
        folder = (built / name).parent
        to_read += [(folder / link).resolve().relative_to(built).as_posix() for link in links]
    written = {path.relative_to(DOCS).with_suffix(".html") for path in DOCS.rglob("*.md")}
    wanted = {path.as_posix() for path in written if path.name != "README.html"}
    assert wanted <= reached, wanted - reached


@pytest.mark.slow
def test_dead_links_fail(tmp_path: Path) -> None:
    dead = ("[gone](nowhere.md)", "[gone](other.md#gone)", "![gone](gone.png)")
    tree = "```{toctree}\nother\n```"
    (tmp_path / "index.md").write_text("\n\n".join(["# Start", *dead, tree]))
    (tmp_path / "other.md").write_text("# Other\n")
    (tmp_path / "conf.py").write_text(_read("conf.py"))
    strict = ["-W", "--keep-going", "-n", "-q", "-b", "dummy"]
    run = subprocess.run(
        [sys.executable, "-m", "sphinx", *strict, tmp_path, tmp_path / "made"],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert run.returncode != 0
    for target in ("nowhere.md", "'gone'", "gone.png"):
        assert target in run.stderr, target


def test_every_command_has_its_section() -> None:
    page = _read("reference/commands.md")
    for name in volest_group.commands:
        assert f"\n## volest {name}\n" in page


def test_pictures_exist_and_are_described() -> None:
    for page in DOCS.rglob("*.md"):
        for words, target in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", page.read_text("utf-8")):
            assert words, f"{page.name}: {target} has no words for those who cannot see it"
            assert (page.parent / target).is_file(), f"{page.name}: {target}"


def _codes() -> set[str]:
    """Collect the codes of refusals: keywords of calls, defaults of classes."""
    found = set()
    for path in (ROOT / "volest").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "code":
                found |= _word(node.value)
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "code":
                found |= _word(node.value)
    return (found | set(MENDS)) - _NEVER_SEEN


def _word(node: ast.expr) -> set[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    return set()


def _told(page: str) -> dict[str, list[str]]:
    """Read the rows of a page's tables whose first cell holds codes."""
    rows = [[cell.strip() for cell in row.split(" | ")] for row in _ROW.findall(_read(page))]
    return {code: row for row in rows for code in _CODE.findall(row[0])}


def test_every_code_is_listed_with_what_to_do() -> None:
    told = _told("reference/refusals.md") | _told("reference/notes.md")
    assert _codes() | set(CATALOGUE) == set(told), "docs/reference/refusals.md or notes.md"
    assert all(row[-1] for row in told.values())


def test_odd_scans_leaves_no_code_out() -> None:
    assert not set(_told("reference/refusals.md")) - set(_told("how-to/odd-scans.md"))


def test_every_test_that_holds_a_promise_is_there() -> None:
    for row in _ROW.findall(_read("explanation/trust.md")):
        file = ""
        for name, function in re.findall(r"`(tests/[\w/]+\.py)?(?:::(\w+))?`", row):
            file = name or file
            if file:
                assert f"def {function}" in (ROOT / file).read_text(encoding="utf-8"), row


def test_every_script_that_is_told_to_run_is_there() -> None:
    told = re.findall(r"python ([\w/]+\.py)", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert told
    assert all((ROOT / script).is_file() for script in told), told


def test_the_interval_quotes_measured_figures_only() -> None:
    measured = _ROW.findall(_read("accuracy.md"))
    quoted = [row for row in _ROW.findall(_read("explanation/interval.md")) if "| 1000 |" in row]
    quoted += [row for row in _ROW.findall(_read("explanation/interval.md")) if "| 300 |" in row]
    assert quoted
    assert not set(quoted) - set(measured)


def test_the_worst_error_that_is_quoted_is_that_of_the_accuracy_page() -> None:
    worst = next(row for row in _ROW.findall(_read("accuracy.md")) if row.startswith("all | 300"))
    silent = [row for row in _ROW.findall(_read("accuracy.md")) if row.startswith("all | 1000")]
    within = re.search(r"within ([\d.]+) %", _read("asked.md"))
    assert within is not None
    assert float(worst.split(" | ")[-1]) <= float(within[1])
    assert silent
    assert all(row.split(" | ")[7] == "0" for row in silent)
