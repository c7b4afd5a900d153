"""Mutation testing: change one operator, number or word of a module, and see whether a test fails.

    python tests/bench/mutants.py stone/mix.py --most 30 --seed 9

Each mutant is written into a copy of the project in a temporary folder, and the tests of that
module's room are run there until the first one fails. A mutant that no test notices is printed
with its line, to be read and judged: equivalent, or a gap in the tests. The sample is drawn by
the seed alone, so a second run draws the same ones. With --page the table goes into a page.
"""

import argparse
import ast
import copy
import importlib
import json
import math
import os
import random
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SLOWEST_S = 240
LOADED = ("numpy", "scipy.ndimage", "scipy.spatial", "scipy.special", "scipy.sparse.csgraph",
          "skimage.segmentation", "skimage.morphology", "hypothesis.strategies", "click.testing",
          "pydantic", "manifold3d", "trimesh", "rich.console", "rich.table")  # fmt: skip
Z = 1.959963985  # 97.5 % point of the normal distribution
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


def survives(copied: Path, tests: Sequence[str]) -> bool:
    """Run tests in a child of this warm process; True if none fails."""
    words = [
        "-q",
        "-x",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        "--assert=plain",
        "--hypothesis-seed=9",
        *tests,
    ]
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os.dup2(1, 2)
            signal.alarm(SLOWEST_S)  # one that never ends is noticed too
            os.chdir(copied)
            sys.path.insert(0, str(copied))
            code = int(pytest.main(words))
        finally:
            os._exit(code)
    return os.waitpid(child, 0)[1] == 0


def sampled(module: str, most: int, seed: int, tests: Sequence[str]) -> dict[str, object]:
    """Plant a sample of changes into one module, and say which of them no test noticed."""
    text = (ROOT / "volest" / module).read_text(encoding="utf-8")
    _, counter = planted(text, -1)
    rng = random.Random(f"{seed} {module}")  # noqa: S311  # a sample, no secret
    chosen = sorted(rng.sample(range(counter.seen), min(most, counter.seen)))
    survivors = []
    with tempfile.TemporaryDirectory(prefix="planted-") as folder:
        copied = Path(folder) / "project"
        shutil.copytree(
            ROOT, copied, ignore=shutil.ignore_patterns(".git", ".*cache", ".venv", "__pycache__")
        )
        target = copied / "volest" / module
        target.write_text(planted(text, -1)[0], encoding="utf-8")
        assert survives(copied, tests), f"the tests of {module} fail without any change"
        for number in chosen:
            new, planter = planted(text, number)
            target.write_text(new, encoding="utf-8")
            if survives(copied, tests):
                survivors.append([planter.line, planter.was, planter.now])
                print(f"{module}:{planter.line}: {planter.was}  ->  {planter.now}", flush=True)
    return {"of": counter.seen, "planted": len(chosen), "survivors": survivors}


def interval(killed: int, planted_: int) -> tuple[float, float]:
    """Wilson's interval of a share, 95 % (E. B. Wilson, JASA 22, 1927; from memory)."""
    share, n = killed / planted_, planted_
    middle = (share + Z * Z / (2 * n)) / (1 + Z * Z / n)
    half = Z * math.sqrt(share * (1 - share) / n + Z * Z / (4 * n * n)) / (1 + Z * Z / n)
    return middle - half, middle + half


def table(kept: dict[str, dict[str, object]]) -> Iterator[str]:
    yield "| Module | Changes possible | planted | noticed |"
    yield "|---|---|---|---|"
    planted_ = noticed = 0
    for module, counts in sorted(kept.items()):
        lost = len(counts["survivors"])  # type: ignore[arg-type]  # a list, from JSON
        count = int(counts["planted"])  # type: ignore[call-overload]  # a number, from JSON
        yield f"| `{module}` | {counts['of']} | {count} | {count - lost} |"
        planted_, noticed = planted_ + count, noticed + count - lost
    low, high = interval(noticed, planted_)
    yield ""
    yield (f"{noticed} of {planted_} noticed: {100 * noticed / planted_:.1f} % "
           f"(95 % interval {100 * low:.1f} to {100 * high:.1f} %).")  # fmt: skip


def main() -> None:
    words = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    words.add_argument("modules", nargs="*", help="below volest/, such as stone/mix.py")
    words.add_argument("--most", type=int, default=30, help="changes a module")
    words.add_argument("--seed", type=int, default=9, help="which sample")
    words.add_argument("--tests", nargs="+", help="what to run; tests of its room by default")
    words.add_argument("--keep", type=Path, help="JSON in which results are kept")
    asked = words.parse_args()
    sys.dont_write_bytecode = True
    for name in LOADED:  # once, so that no child has to
        importlib.import_module(name)
    old = asked.keep is not None and asked.keep.exists()
    kept = json.loads(asked.keep.read_text(encoding="utf-8")) if old else {}
    for module in asked.modules:
        room, _, name = module.partition("/")
        own = f"tests/{room}/test_{name}"  # first, since the first failure ends the run
        first = [own] if (ROOT / own).exists() else []
        tests = asked.tests or [*first, f"volest/{module}", f"tests/{room}"]
        kept[module] = sampled(module, asked.most, asked.seed, tests)
        if asked.keep is not None:
            asked.keep.write_text(json.dumps(kept, indent=1), encoding="utf-8")
    print("\n".join(table(kept)))


if __name__ == "__main__":
    main()
