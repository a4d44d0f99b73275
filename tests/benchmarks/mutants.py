"""How many deliberate mistakes in `judge/` and `measure/` the tests notice. Run by hand; a sample takes minutes:

    python tests/benchmarks/mutants.py [--room judge measure] [--sample 100] [--seed 1] [--seconds 600]

Each mutant changes one place of one module in a copy of the package: a comparison turned or shifted, plus for minus, times for
division, `and` for `or`, a `not` dropped, a number one off or doubled, True for False, a returned value gone. It is killed if
the room's tests, run with the copy, fail. Those tests that name the module's words most often go first, so that most mutants
die within seconds. What survives is printed: a line that no test defends.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COMPARE = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
           ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In}  # fmt: skip
ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult}
MOST_S = 240  # a mutant that loops is killed by the clock


def changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """What may be put in the place of a node: a word for it, and the new node."""
    new = copy.deepcopy(node)
    match node:
        case ast.Compare() if type(node.ops[0]) in COMPARE:
            new.ops[0] = COMPARE[type(node.ops[0])]()
            yield "comparison", new
        case ast.BinOp() if type(node.op) in ARITHMETIC:
            new.op = ARITHMETIC[type(node.op)]()
            yield "arithmetic", new
        case ast.BoolOp():
            new.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "and/or", new
        case ast.UnaryOp(op=ast.Not()):
            yield "not dropped", copy.deepcopy(node.operand)
        case ast.Constant(value=bool()):
            yield "true/false", ast.Constant(not node.value)
        case ast.Constant(value=int() | float()):
            yield "number", ast.Constant(node.value + 1 if node.value in (0, 1, -1) else node.value * 2)
        case ast.IfExp():
            new.test = ast.UnaryOp(op=ast.Not(), operand=new.test)
            yield "branch", new
        case ast.If():
            new.test = ast.UnaryOp(op=ast.Not(), operand=new.test)
            yield "branch", new


class _Put(ast.NodeTransformer):
    """One node of a tree in the place of another, found by its number in the walk."""

    def __init__(self, place: int, new: ast.AST) -> None:
        self.place, self.new, self.at = place, new, -1

    def visit(self, node: ast.AST) -> ast.AST:
        self.at += 1
        return self.new if self.at == self.place else self.generic_visit(node)


def mutants(path: Path) -> list[tuple[str, str]]:
    """(what was changed and where, the module's text so changed); annotations, docstrings and assertions are left alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    order: list[ast.AST] = []

    class Order(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            order.append(node)
            return self.generic_visit(node)

    Order().visit(copy.deepcopy(tree))
    silent = {id(part) for node in order for part in _left_alone(node)}
    made = []
    for place, node in enumerate(order):
        for word, new in () if id(node) in silent else changes(node):
            changed = _Put(place, ast.copy_location(new, node)).visit(copy.deepcopy(tree))
            text = ast.unparse(ast.fix_missing_locations(changed))
            made.append((f"{path.relative_to(ROOT)}:{node.lineno}: {word}: {ast.unparse(node).splitlines()[0][:80]}", text))
    return made


def _left_alone(node: ast.AST) -> Iterator[ast.AST]:
    """Parts of a node that say nothing of what the code does."""
    for name in ("annotation", "returns"):
        if isinstance(part := getattr(node, name, None), ast.AST):
            yield from ast.walk(part)
    if isinstance(node, ast.Assert):
        yield from ast.walk(node)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("dataclass", "Field", "zip"):
        yield from ast.walk(node)


def tests_of(module: Path, room: str) -> list[str]:
    """The room's test files, those first that name what the module defines."""
    names = [node.name for node in ast.parse(module.read_text()).body if isinstance(node, ast.FunctionDef | ast.ClassDef)]
    files = sorted((ROOT / "tests" / room).glob("test_*.py"))
    words = {file: file.read_text(encoding="utf-8") for file in files}
    return [
        str(file) for file in sorted(files, key=lambda file: -sum(words[file].count(name) for name in (*names, module.stem)))
    ]


def killed(package: Path, module: Path, text: str, tests: list[str]) -> bool:
    """Whether the tests fail with the module so changed."""
    place = package / module.relative_to(ROOT)
    before = place.read_text(encoding="utf-8")
    place.write_text(text, encoding="utf-8")
    paths = os.pathsep.join([str(package), str(ROOT / "plugins")])
    settings = ["-c", str(ROOT / "pyproject.toml"), "--rootdir", str(ROOT), "-p", "no:cacheprovider"]
    call = [sys.executable, "-m", "pytest", "-q", "-x", *settings, *tests]
    try:  # from the copy's folder, which Python looks into first
        run = subprocess.run(call, cwd=package, env={**os.environ, "PYTHONPATH": paths}, capture_output=True, timeout=MOST_S)
        return run.returncode != 0
    except subprocess.TimeoutExpired:
        return True
    finally:
        place.write_text(before, encoding="utf-8")


def main() -> None:
    """A random sample of all mutants of the rooms; the share killed, and the survivors."""
    parser = argparse.ArgumentParser(description="How many deliberate mistakes the tests notice.")
    parser.add_argument("--room", nargs="*", default=["judge", "measure"])
    parser.add_argument("--sample", type=int, default=100, help="of all rooms together (default: 100)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so long")
    options = parser.parse_args()
    every = [
        (room, module, *one)
        for room in options.room
        for module in sorted((ROOT / "specimeter" / room).glob("*.py"))
        for one in mutants(module)
    ]
    chosen = random.Random(options.seed).sample(every, min(options.sample, len(every)))
    started, dead, tried = time.monotonic(), 0, 0
    with tempfile.TemporaryDirectory() as folder:
        package = Path(folder)
        for part in ("specimeter", "shared", "sample_images"):
            shutil.copytree(ROOT / part, package / part, ignore=shutil.ignore_patterns("__pycache__"))
        _, module, _, _ = chosen[0]
        if not killed(package, module, "raise SystemExit('broken')", tests_of(module, chosen[0][0])[:1]):
            raise SystemExit("the tests do not run with the changed copy: this would prove nothing")
        for room, module, what, text in chosen:
            if time.monotonic() - started > options.seconds:
                break
            tried += 1
            if killed(package, module, text, tests_of(module, room)):
                dead += 1
            else:
                print(f"survived: {what}", flush=True)
    share = 100 * dead / max(tried, 1)
    print(f"{dead} of {tried} mutants killed ({share:.0f} %), drawn from {len(every)} with seed {options.seed}")


if __name__ == "__main__":
    main()
