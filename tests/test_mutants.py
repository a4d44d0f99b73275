"""Of a fixed sample of deliberate mistakes in `judge/` and `measure/` the tests beside each module notice four in five."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = Path(__file__).resolve().parent / "benchmarks" / "mutants.py"
SAMPLE, LEAST = 25, 0.8  # of each room, and the share that is to be noticed


@pytest.fixture(scope="module")
def mutants() -> ModuleType:
    """The script that changes the code, as a module."""
    spec = importlib.util.spec_from_file_location("mutants", SCRIPT)
    module = sys.modules["mutants"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("room", ["judge", "measure"])
def test_most_deliberate_mistakes_are_noticed(room):
    """Each in a copy of the package, by the tests of its own module alone; what survives is told with its place."""
    asked = ["--own", "--room", room, "--sample", str(SAMPLE), "--least", str(LEAST)]
    apart = {name: value for name, value in os.environ.items() if not name.startswith(("COVERAGE_", "PYTEST_"))}
    ended = subprocess.run([sys.executable, str(SCRIPT), *asked], env=apart, capture_output=True, text=True)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert f" of {SAMPLE} mutants killed" in ended.stdout


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("a < b", ["a <= b"]),
        ("a is b", ["a is not b"]),
        ("a + b", ["a - b"]),
        ("a and b", ["a or b"]),
        ("not a", ["a"]),
        ("True", ["False"]),
        ("0", ["1"]),
        ("2.5", ["5.0"]),
        ("a if b else c", ["a if not b else c"]),
        ("f(a)", []),
    ],
)
def test_a_mistake_changes_one_thing(mutants, code, changed):
    """The kinds of them, each by an example."""
    node = mutants.ast.parse(code, mode="eval").body
    assert [mutants.ast.unparse(new) for _, new in mutants.changes(node)] == changed


def test_the_sample_stays_where_other_code_changes(mutants):
    """Of one module as it is, and of the same with every other mutant gone: what is left of the sample keeps its order."""
    every = mutants.mutants("specimeter/judge/sums.py")
    sample = mutants.drawn(every, len(every), 1)
    half = [one for one in every if one.line < 45]
    assert mutants.drawn(half, len(half), 1) == [one for one in sample if one.line < 45]
    assert mutants.drawn(every, len(every), 2) != sample
    assert len(set(sample)) == len(every)
