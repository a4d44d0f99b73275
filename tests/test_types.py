"""Types hold: mypy finds nothing in the modules that pyproject.toml does not name as still loose."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MOST_LOOSE = 10  # modules whose types are still loose, `ignore_errors` in pyproject.toml: this number only falls
LOOSE_ROOM = "specimeter.training.*"  # the one room that is loose as a whole


def loose() -> list[str]:
    """The modules that mypy is told to pass over."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mypy"]
    return [name for one in settings["overrides"] if one.get("ignore_errors") for name in one["module"]]


def checked(*arguments: str) -> subprocess.CompletedProcess[str]:
    """What mypy says, with the project's settings."""
    command = [sys.executable, "-m", "mypy", "--no-color-output", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True)


def test_the_types_hold():
    """Every complaint is shown; one room is not checked again where its files did not change (.mypy_cache)."""
    answer = checked()
    assert answer.returncode == 0, answer.stdout + answer.stderr


def test_a_wrong_type_is_noticed(tmp_path):
    """The check above can fail."""
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from specimeter.rounding import figures\n\nlines: int = figures(1.0)\n", encoding="utf-8")
    answer = subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml"), str(wrong)],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 1
    assert 'expression has type "str", variable has type "int"' in answer.stdout


@pytest.mark.parametrize("module", loose())
def test_what_is_loose_exists(module):
    """A module that is gone leaves the list."""
    place = ROOT.joinpath(*module.removesuffix(".*").split("."))
    assert place.is_dir() if module == LOOSE_ROOM else place.with_suffix(".py").is_file()


def test_the_list_of_loose_modules_does_not_grow():
    """New code is written with its types, whole rooms of it."""
    assert len(set(loose()) - {LOOSE_ROOM}) <= MOST_LOOSE
