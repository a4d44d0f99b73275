"""How many deliberate mistakes in `judge/` and `measure/` the tests notice. Run by hand; 150 take some minutes:

    python tests/benchmarks/mutants.py [--room judge measure] [--sample 150] [--seed 1] [--seconds 600]
    python tests/benchmarks/mutants.py --own --room judge --sample 25 --least 0.8    # as the suite runs it

Each mutant changes one place of one module in a copy of the package: a comparison turned or shifted, plus for minus, times for
division, `and` for `or`, a `not` dropped, a number one off or doubled, True for False, a branch turned. The tests of the rooms
(`TESTS`) run once with a trace that tells which lines each of them reaches. Then each mutant meets only the tests that reach
its line, quickest first until one fails, in a fork of a process that holds the libraries already and imports the copy. It is
killed if a test fails or never ends. What survives is printed: a line that no test defends. Nothing is left out as equivalent:
a mutant that changes nothing anyone can see counts as a survivor too.

With `--own` there is no trace: a mutant meets the tests that stand beside its module (`tests/judge/test_sums.py` for
`judge/sums.py`) and no others, of the modules whose own tests are quick. That is stricter, and takes a second a mutant.
"""

from __future__ import annotations

import argparse
import ast
import copy
import hashlib
import importlib
import os
import pickle
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from math import ceil
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded: on small matrices its threads only wait

import pytest

ROOT = Path(__file__).resolve().parents[2]
TESTS = ("judge", "measure", "coupon", *(f"published/test_{name}.py" for name in (
    "bend_limits", "conformity", "fracture_limits", "gum", "levels", "sections", "unrolling")))  # fmt: skip
COMPARE = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
           ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In}  # fmt: skip
ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult}
SLOW = ("decide", "expression", "clearance", "section", "section_draw", "section_spread", "sizes", "undercut", "weld_sizes")
SLOWER, LEAST_S = 5, 30  # a mutant whose tests take so many times the processor time that they did under the trace never ends
WAITS = 10  # nor does one that takes so many times that by the clock: it waits for something, or the machine is crowded
SETTINGS = ["-q", "-c", str(ROOT / "pyproject.toml"), "--rootdir", str(ROOT), "-p", "no:cacheprovider",
            "-p", "hypothesispytest", "-W", "ignore::pytest.PytestAssertRewriteWarning", "--hypothesis-seed=0"]  # fmt: skip


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


def _left_alone(node: ast.AST) -> Iterator[ast.AST]:
    """Parts of a node that say nothing of what the code does."""
    for name in ("annotation", "returns"):
        if isinstance(part := getattr(node, name, None), ast.AST):
            yield from ast.walk(part)
    if isinstance(node, ast.Assert):
        yield from ast.walk(node)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("dataclass", "Field", "zip"):
        yield from ast.walk(node)


class _Walk(ast.NodeTransformer):
    """Every node of a tree in order, numbered; the one of number `place` gives way to `new`."""

    def __init__(self, place: int = -1, new: ast.AST | None = None) -> None:
        self.place, self.new = place, new
        self.nodes: list[ast.AST] = []

    def visit(self, node: ast.AST) -> ast.AST:
        self.nodes.append(node)
        return self.new if len(self.nodes) - 1 == self.place else self.generic_visit(node)


@dataclass(frozen=True)
class Mutant:
    """One change: of which module, the node's number in the walk and which of its changes, the lines that it stands in."""

    module: str
    place: int
    which: int
    line: int
    what: str
    lines: range | None  # None: not in a function, so it acts when the module is imported

    def text(self) -> str:
        """The module's text so changed."""
        walk = _Walk()
        tree = ast.parse((ROOT / self.module).read_text(encoding="utf-8"))
        walk.visit(copy.deepcopy(tree))
        old = walk.nodes[self.place]
        _, new = list(changes(old))[self.which]
        return ast.unparse(ast.fix_missing_locations(_Walk(self.place, ast.copy_location(new, old)).visit(tree)))


def mutants(module: str) -> list[Mutant]:
    """All of one module; annotations, docstrings and assertions are left alone."""
    tree = ast.parse((ROOT / module).read_text(encoding="utf-8"))
    walk = _Walk()
    walk.visit(tree)
    silent = {id(part) for node in walk.nodes for part in _left_alone(node)}
    stands = _lines(tree)
    return [
        Mutant(
            module,
            place,
            which,
            node.lineno,
            f"{word}: {ast.unparse(node).splitlines()[0][:80]}",
            stands.get(id(node)),
        )
        for place, node in enumerate(walk.nodes)
        if id(node) not in silent
        for which, (word, _) in enumerate(changes(node))
    ]


def drawn(every: list[Mutant], sample: int, seed: int) -> list[Mutant]:
    """So many of all, in the order of the SHA-256 of what each changes: the sample stays as it is where other code changes."""
    alike: Counter[str] = Counter()

    def mark(mutant: Mutant) -> bytes:
        text = f"{mutant.module}: {mutant.what}"
        alike[text] += 1
        return hashlib.sha256(f"{seed} {text} {alike[text]}".encode()).digest()

    return sorted(every, key=mark)[:sample]


def _lines(tree: ast.AST) -> dict[int, range]:
    """For each node within a function the lines of its innermost statement; of a compound one only its head."""
    found: dict[int, range] = {}

    def down(node: ast.AST, at: range | None, inside: bool) -> None:
        if isinstance(node, ast.stmt) and inside:
            body = [part for part in (*getattr(node, "body", []), *getattr(node, "cases", [])) if hasattr(part, "lineno")]
            last = max(node.lineno, body[0].lineno - 1) if body else node.end_lineno
            at = range(node.lineno, (last or node.lineno) + 1)
        if at is not None:
            found[id(node)] = at
        here = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for name, field in ast.iter_fields(node):
            for part in field if isinstance(field, list) else [field]:
                if isinstance(part, ast.AST):
                    down(part, at, inside or (here and name == "body"))

    down(tree, None, False)
    return found


class Watch:
    """Which lines of the rooms each test reaches (of no rooms: none, without a trace), and how long it takes; what fails is
    no witness."""

    def __init__(self, package: Path, rooms: list[str]) -> None:
        self.begins = tuple(f"{package}{os.sep}specimeter{os.sep}{room}{os.sep}" for room in rooms)
        self.skip = len(str(package)) + 1
        self.now: set[tuple[str, int]] = set()
        self.lines: dict[str, set[tuple[str, int]]] = {}
        self.of_fixture: dict[str, set[tuple[str, int]]] = defaultdict(set)
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()

    def enter(self, frame, event, argument):
        return self.step if frame.f_code.co_filename.startswith(self.begins) else None

    def step(self, frame, event, argument):
        self.now.add((frame.f_code.co_filename[self.skip :], frame.f_lineno))
        return self.step

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item, nextitem):
        started, self.now = time.process_time(), set()
        if self.begins:
            threading.settrace(self.enter)
            sys.settrace(self.enter)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)  # type: ignore[arg-type]
            shared = (self.of_fixture[name] for name in getattr(item, "fixturenames", ()))
            self.lines[item.nodeid] = self.now.union(*shared)
            self.seconds[item.nodeid] = time.process_time() - started

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef, request):
        before, self.now = self.now, set()
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                self.of_fixture[fixturedef.argname] |= self.now
            self.now |= before

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.add(report.nodeid)


class Chosen:
    """Of what pytest collects, the tests that reach the mutant, quickest first."""

    def __init__(self, seconds: dict[str, float]) -> None:
        self.seconds = seconds

    def pytest_collection_modifyitems(self, items):
        items[:] = sorted((item for item in items if item.nodeid in self.seconds), key=lambda item: self.seconds[item.nodeid])


def tried(package: Path, arguments: list[str], plugin: object, keep: Callable[[int], object], most_s: float) -> int:
    """Run pytest with the copy in a fork that ends after `most_s` of processor time, and keep what `keep` makes of its status;
    returns the fork's process id.
    """
    process = os.fork()
    if process:
        return process
    status = 3
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (ceil(most_s), ceil(most_s)))
        told, silent = os.dup(2), os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(silent, stream)
        os.chdir(package)
        sys.path[:0] = [str(package), str(ROOT / "plugins")]
        sys.dont_write_bytecode = True
        os.environ["PYTHONPATH"] = os.pathsep.join(sys.path[:2])
        os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(package / "hypothesis")
        os.environ["PYTEST_DEBUG_TEMPROOT"] = str(package)  # what the tests write goes when the copy goes
        from hypothesis import Phase, settings

        settings.register_profile("unshrunk", phases=(Phase.explicit, Phase.generate, Phase.target))
        settings.load_profile("unshrunk")
        status = int(pytest.main([*SETTINGS, *arguments], plugins=[plugin]))
        (package / "answer").write_bytes(pickle.dumps(keep(status)))
    except BaseException:
        os.write(told, traceback.format_exc().encode())
    finally:
        os._exit(status)


def ended(process: int, within_s: float) -> int | None:
    """Wait for a fork; its exit status, or None if it had to be stopped."""
    until = time.monotonic() + within_s
    try:
        while time.monotonic() < until:
            if (done := os.waitpid(process, os.WNOHANG))[0]:
                return os.waitstatus_to_exitcode(done[1])
            time.sleep(0.02)
        return None
    finally:  # by the clock or by whoever stops this script; what the tests started goes as well
        with suppress(ProcessLookupError):
            os.killpg(process, signal.SIGKILL)
            os.waitpid(process, 0)


def copied(place: Path) -> Path:
    """A copy of the package, with what it needs beside it."""
    ignored = shutil.ignore_patterns("*.onnx")
    shutil.copytree(ROOT / "specimeter", place / "specimeter", ignore=ignored)
    for path in (ROOT / "specimeter").rglob("*.onnx"):
        (place / path.relative_to(ROOT)).symlink_to(path)
    for part in ("shared", "sample_images"):
        (place / part).symlink_to(ROOT / part)
    return place


def watched(package: Path, rooms: list[str], tests: Iterable[str]) -> Watch:
    """Run the tests once with the trace of the rooms; afterwards this process holds the libraries that they needed."""
    watch = Watch(package, rooms)
    files = [str(ROOT / "tests" / name) for name in tests]

    def libraries(status: int) -> object:
        own = ("specimeter", "tests", "test_", "conftest", "_pytest", "pytest", "__")
        return watch, [name for name in sys.modules if not name.startswith(own)]

    process = tried(package, files, watch, libraries, 3600)
    if ended(process, 3600) not in (0, 1):
        raise SystemExit("the tests do not run with the copy: this would prove nothing")
    watch, held = pickle.loads((package / "answer").read_bytes())
    for name in held:
        with suppress(Exception):  # a module of a test's own folder, or one that wants to be imported by another
            importlib.import_module(name)
    return watch


def witnesses(mutant: Mutant, watch: Watch) -> dict[str, float]:
    """The tests that reach the mutant's lines, with the seconds that each took."""
    of_module = mutant.lines is None
    reached = {(mutant.module, line) for line in mutant.lines or ()}
    return {
        test: watch.seconds[test]
        for test, lines in watch.lines.items()
        if test not in watch.failed and (any(file == mutant.module for file, _ in lines) if of_module else reached & lines)
    }


def own_tests(module: str) -> str:
    """The file of tests that stands beside a module, as seen from the folder of tests."""
    path = Path(module)
    return f"{path.parent.name}/test_{path.name}"


def beside(mutant: Mutant, watch: Watch) -> dict[str, float]:
    """The tests that stand beside the mutant's module, with the seconds that each took."""
    begins = f"tests/{own_tests(mutant.module)}::"
    return {test: s for test, s in watch.seconds.items() if test.startswith(begins) and test not in watch.failed}


def begun(package: Path, module: str, text: str, tests: dict[str, float], most_s: float) -> int:
    """Start the tests with the module so changed; returns the fork's process id."""
    (package / module).write_text(text, encoding="utf-8")
    files = sorted({str(ROOT / test.split("::")[0]) for test in tests})
    return tried(package, ["-x", *files], Chosen(tests), lambda status: status, most_s)


def killed(package: Path, module: str, text: str, tests: dict[str, float]) -> bool:
    """Whether the tests fail, or never end, with the module so changed."""
    most_s = max(LEAST_S, SLOWER * sum(tests.values()))
    try:
        status = ended(begun(package, module, text, tests, most_s), WAITS * most_s)
    finally:
        shutil.copy2(ROOT / module, package / module)
    if status == pytest.ExitCode.NO_TESTS_COLLECTED:
        raise SystemExit(f"of the tests that reach {module} none was found again: this would prove nothing")
    return status != 0


def main() -> None:
    """A random sample of all mutants of the rooms; the share killed, and the survivors."""
    parser = argparse.ArgumentParser(description="How many deliberate mistakes the tests notice.")
    parser.add_argument("--room", nargs="*", default=["judge", "measure"])
    parser.add_argument("--sample", type=int, default=150, help="of all rooms together (default: 150)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so long")
    parser.add_argument("--own", action="store_true", help="each meets the tests beside its module only, where they are quick")
    parser.add_argument("--least", type=float, default=0.0, help="exit status 1 where a smaller share is killed")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that no fork is left behind
    modules = [
        path.relative_to(ROOT).as_posix() for room in options.room for path in sorted((ROOT / "specimeter" / room).glob("*.py"))
    ]
    if options.own:
        modules = [name for name in modules if (ROOT / "tests" / own_tests(name)).exists() and Path(name).stem not in SLOW]
    every = [one for module in modules for one in mutants(module)]
    chosen = drawn(every, options.sample, options.seed)
    rooms, tests_of = ([], beside) if options.own else (options.room, witnesses)
    tests = sorted({own_tests(one.module) for one in chosen}) if options.own else TESTS
    with tempfile.TemporaryDirectory() as folder:
        package = copied(Path(folder))
        started = time.monotonic()
        watch = watched(package, rooms, tests)
        failed = f", {len(watch.failed)} failed and are no witnesses" if watch.failed else ""
        print(f"{len(watch.lines)} tests run once in {time.monotonic() - started:.0f} s{failed}", flush=True)
        known = dict(sorted((tests_of(chosen[0], watch) or watch.seconds).items(), key=lambda one: one[1])[:20])
        if not killed(package, chosen[0].module, "raise ImportError('broken')", known):
            raise SystemExit("a broken module is not noticed: this would prove nothing")
        if killed(package, chosen[0].module, ast.unparse(ast.parse((ROOT / chosen[0].module).read_text())), known):
            raise SystemExit("an unchanged module is taken for a mistake: this would prove nothing")
        started, dead, done = time.monotonic(), 0, 0
        try:
            for mutant in chosen:
                if time.monotonic() - started > options.seconds:
                    break
                met = tests_of(mutant, watch)
                if met and killed(package, mutant.module, mutant.text(), met):
                    dead += 1
                else:
                    print(f"survived {len(met)} tests: {mutant.module}:{mutant.line}: {mutant.what}", flush=True)
                done += 1
        finally:  # told also where it was stopped
            took, share = time.monotonic() - started, dead / max(done, 1)
            among = f"drawn from {len(every)} with seed {options.seed}"
            print(f"{dead} of {done} mutants killed ({100 * share:.0f} %) in {took:.0f} s, {among}", flush=True)
    if share < options.least:
        raise SystemExit(f"fewer than {100 * options.least:.0f} %: see that a test notices what survived")


if __name__ == "__main__":
    main()
