"""Mutation testing: change one operator, number or word of a module, and see whether a test fails.

    python tests/bench/mutants.py stone/mix.py --most 30 --seed 9

Each mutant is written into a copy of the project in a temporary folder, and tests are run there
until the first one fails: the module's own, then those of its room, slow ones too. A mutant that
no test notices is printed with its line, to be read and judged: equivalent, or a gap in the tests.
The sample is drawn by the seed alone, so a second run draws the same ones. What is kept with --keep
carries what was judged; --again plants only what went unnoticed then, and --page puts the table
into a page.
"""

import argparse
import ast
import copy
import importlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import hypothesis
import pytest

sys.path.insert(0, str(Path(__file__).parents[2]))  # where it is run as a script
from tests.bench.mutants_page import put_into, said

ROOT = Path(__file__).parents[2]
SLOWEST_S = 240
LOADED = ("numpy", "numba", "scipy.ndimage", "scipy.spatial", "scipy.special",
          "scipy.sparse.csgraph", "skimage.segmentation", "skimage.morphology", "trimesh",
          "hypothesis.strategies", "click.testing", "pydantic", "manifold3d", "rich.console",
          "rich.table")  # fmt: skip
COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
COUNTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd, ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.MatMult: ast.Mult,
}  # fmt: skip
CALLED = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor",
          "minimum": "maximum", "maximum": "minimum", "argmin": "argmax", "argmax": "argmin",
          "sin": "cos", "cos": "sin", "zeros": "ones", "ones": "zeros"}  # fmt: skip


def changed(node: ast.AST) -> ast.AST | None:
    """Give what a node is changed to, None where it stays."""
    new = copy.deepcopy(node)
    if isinstance(new, ast.Compare) and type(new.ops[0]) in COMPARED:
        new.ops[0] = COMPARED[type(new.ops[0])]()
    elif isinstance(new, ast.BinOp) and type(new.op) in COUNTED:
        new.op = COUNTED[type(new.op)]()
    elif isinstance(new, ast.BoolOp):
        new.op = ast.Or() if isinstance(new.op, ast.And) else ast.And()
    elif isinstance(new, ast.UnaryOp) and isinstance(new.op, ast.USub | ast.Not | ast.Invert):
        return new.operand
    elif isinstance(new, ast.IfExp):
        new.body, new.orelse = new.orelse, new.body
    else:
        return changed_word(new)
    return new


def changed_word(new: ast.AST) -> ast.AST | None:
    """Give what a number or a name is changed to, None where it stays."""
    if isinstance(new, ast.Constant) and isinstance(new.value, bool):
        new.value = not new.value
    elif isinstance(new, ast.Constant) and isinstance(new.value, int):
        new.value += 1
    elif isinstance(new, ast.Constant) and isinstance(new.value, float):
        new.value = 1.1 * new.value + 0.05
    elif isinstance(new, ast.Name) and new.id in CALLED:
        new.id = CALLED[new.id]
    elif isinstance(new, ast.Attribute) and new.attr in CALLED:
        new.attr = CALLED[new.attr]
    else:
        return None
    return new


class Planter(ast.NodeTransformer):
    """Walks a tree in one order, and puts the change of one number in its place."""

    def __init__(self, wanted: int) -> None:
        self.wanted, self.seen = wanted, 0
        self.line, self.was, self.now = 0, "", ""

    def visit(self, node: ast.AST) -> ast.AST:
        # Types, the rules of records and words that a person reads are no behaviour of a stage.
        if isinstance(node, ast.AnnAssign) and node.value is not None:
            node.value = self.visit(node.value)  # type: ignore[assignment]  # an expression again
            return node
        if isinstance(node, ast.arg | ast.JoinedStr | ast.Import | ast.ImportFrom):
            return node
        if isinstance(node, ast.FunctionDef):
            node.returns = None
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            kept, node.decorator_list = node.decorator_list, []
            self.generic_visit(node)
            node.decorator_list = kept
            return node
        new = changed(node)
        if new is not None:
            self.seen += 1
            if self.seen - 1 == self.wanted:
                self.line = getattr(node, "lineno", 0)
                self.was, self.now = ast.unparse(node)[:80], ast.unparse(new)[:80]
                return ast.copy_location(new, node)
        return self.generic_visit(node)


def planted(text: str, wanted: int) -> tuple[str, Planter]:
    """Give the module with one change, and which it is; -1 changes nothing and counts."""
    planter = Planter(wanted)
    tree = planter.visit(ast.parse(text))
    return ast.unparse(ast.fix_missing_locations(tree)), planter


WORDS = ("-q", "-x", "-p", "no:cacheprovider", "--assert=plain",
         "--hypothesis-seed=9", "-m", "")  # fmt: skip


def survives(copied: Path, tests: Sequence[str]) -> bool:
    """Run tests in a child of this warm process; True if none fails."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os.dup2(1, 2)
            signal.alarm(SLOWEST_S)  # one that never ends is noticed too
            os.chdir(copied)
            sys.path.insert(0, str(copied))
            code = int(pytest.main([*WORDS, *tests]))
        finally:
            os._exit(code)
    return os.waitpid(child, 0)[1] == 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plot:
    """Where one module's changes are planted: a copy of the project, and what is run there."""

    module: str
    copied: Path
    tests: Sequence[str]

    def unnoticed(self, numbers: Sequence[int]) -> list[dict[str, Any]]:
        """Plant changes one by one, put the module back, and give those that no test noticed."""
        target = self.copied / "volest" / self.module
        text = target.read_text(encoding="utf-8")
        target.write_text(planted(text, -1)[0], encoding="utf-8")
        assert survives(self.copied, self.tests), f"tests of {self.module} fail unchanged"
        found: list[dict[str, Any]] = []
        for number in numbers:
            new, was = planted(text, number)
            target.write_text(new, encoding="utf-8")
            if survives(self.copied, self.tests):
                found.append({"number": number, "line": was.line, "was": was.was, "now": was.now})
                print(f"{self.module}:{was.line}: {was.was}  ->  {was.now}", flush=True)
        target.write_text(text, encoding="utf-8")
        return found


def sample(module: str, most: int, seed: int) -> tuple[int, list[int]]:
    """Say how many changes a module has room for, and draw some by their numbers."""
    _, counter = planted((ROOT / "volest" / module).read_text(encoding="utf-8"), -1)
    rng = random.Random(f"{seed} {module}")  # noqa: S311  # a sample, no secret
    return counter.seen, sorted(rng.sample(range(counter.seen), min(most, counter.seen)))


def tests_of(module: str, *, own: bool) -> list[str]:
    """Name what notices a change soonest first: the module's own tests, its examples, its room."""
    room, _, name = module.partition("/")
    found = sorted((ROOT / "tests" / room).glob(f"test_{Path(name).stem}*.py"))
    tests = [*(str(path.relative_to(ROOT)) for path in found), f"volest/{module}"]
    return tests if own else [*tests, f"tests/{room}"]


def planted_again(plot: Plot, before: dict[str, Any]) -> dict[str, Any]:
    """Plant only what went unnoticed before; what was judged of it stays."""
    old = {one["number"]: one for one in before["survivors"]}
    left = [one["number"] for one in plot.unnoticed(list(old))]
    return before | {"survivors": [old[number] for number in left]}


def asked() -> argparse.Namespace:
    words = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    words.add_argument("modules", nargs="*", help="below volest/, such as stone/mix.py")
    words.add_argument("--most", type=int, default=30, help="changes a module")
    words.add_argument("--seed", type=int, default=9, help="which sample")
    words.add_argument("--tests", nargs="+", help="what to run; its own and its room's by default")
    words.add_argument("--own", action="store_true", help="only the module's own, not its room's")
    words.add_argument("--keep", type=Path, help="JSON in which results are kept")
    words.add_argument("--again", action="store_true", help="only what went unnoticed before")
    words.add_argument("--page", type=Path, help="page that takes the table of all that is kept")
    return words.parse_args()


def warm_up() -> None:
    """Load once what every child would load, and have failures told without a search."""
    sys.dont_write_bytecode = True
    os.environ["VOLEST_COMPILED"] = "never"  # tests of compiled loops say so themselves
    for name in LOADED:
        importlib.import_module(name)
    quick = [hypothesis.Phase.explicit, hypothesis.Phase.generate]  # the first failure will do
    hypothesis.settings.register_profile("quick", phases=quick, deadline=None)
    hypothesis.settings.load_profile("quick")


def main() -> None:
    told = asked()
    old = told.keep is not None and told.keep.exists()
    kept = json.loads(told.keep.read_text(encoding="utf-8")) if old else {}
    warm_up()
    with tempfile.TemporaryDirectory(prefix="planted-") as folder:
        copied = Path(folder) / "project"
        left = shutil.ignore_patterns(".git", ".*cache", ".venv", "__pycache__")
        shutil.copytree(ROOT, copied, ignore=left)
        for module in told.modules:
            plot = Plot(
                module=module, copied=copied, tests=told.tests or tests_of(module, own=told.own)
            )
            if told.again:
                kept[module] = planted_again(plot, kept[module])
            else:
                of, numbers = sample(module, told.most, told.seed)
                lost = plot.unnoticed(numbers)
                kept[module] = {"of": of, "planted": len(numbers), "survivors": lost}
            if told.keep is not None:
                told.keep.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    lines = said(kept)
    print("\n".join(lines))
    if told.page is not None:
        put_into(told.page, lines)


if __name__ == "__main__":
    main()
