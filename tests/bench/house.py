"""How large the house is: modules, lines, docstrings, lines of code a function.

    python tests/bench/house.py --most-lines 15000 --most-modules 85

Exits with 1 where there is more. A line of code holds more than a comment or a docstring.
"""

import argparse
import ast
import io
import sys
import tokenize
from pathlib import Path

ROOT = Path(__file__).parents[2]
WITH_WORDS = ast.Module | ast.ClassDef | ast.FunctionDef
NO_CODE = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT}


def docstrings(tree: ast.AST) -> set[int]:
    """Give the lines on which docstrings stand, those under constants and fields too."""
    bodies = [node.body for node in ast.walk(tree) if isinstance(node, WITH_WORDS)]
    words = [one for body in bodies for one in body
             if isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant)
             and isinstance(one.value.value, str)]  # fmt: skip
    return {line for one in words for line in range(one.lineno, (one.end_lineno or 0) + 1)}


def counted(path: Path) -> tuple[int, int, int, list[int]]:
    """Count a module's lines, its docstrings' lines, its lines of code, and those a function."""
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    said = docstrings(tree)
    tokens = list(tokenize.generate_tokens(io.StringIO(text).readline))[:-1]
    spans = [range(t.start[0], t.end[0] + 1) for t in tokens if t.type not in NO_CODE]
    code = {line for span in spans for line in span} - said
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    sizes = [len(code & {*range(f.lineno, (f.end_lineno or 0) + 1)}) for f in functions]
    return len(text.splitlines()), len(said), len(code), sizes


def main() -> int:
    words = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    words.add_argument("--most-lines", type=int, default=sys.maxsize)
    words.add_argument("--most-modules", type=int, default=sys.maxsize)
    told = words.parse_args()
    of = {path: counted(path) for path in sorted((ROOT / "volest").rglob("*.py"))}
    lines, said = sum(one[0] for one in of.values()), sum(one[1] for one in of.values())
    code = sum(one[2] for one in of.values())
    sizes = [size for *_, each in of.values() for size in each]
    print(f"{len(of)} modules, {lines} lines, {code} of code, docstrings {said / lines:.0%}")
    print(f"{len(sizes)} functions, {sum(sizes) / len(sizes):.1f} lines of code each")
    for path in sorted(of, key=lambda path: -of[path][0])[:8]:
        print(f"{of[path][0]:6} {path.relative_to(ROOT)}")
    return int(lines > told.most_lines or len(of) > told.most_modules)


if __name__ == "__main__":
    sys.exit(main())
