"""Types hold: mypy finds nothing in any module of the package."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("uncounted")

ROOT = Path(__file__).resolve().parents[1]


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
    answer = checked("--config-file", str(ROOT / "pyproject.toml"), str(wrong))
    assert answer.returncode == 1
    assert 'expression has type "str", variable has type "int"' in answer.stdout


def test_no_module_is_passed_over():
    """Every module is checked, with all of its functions: none is left to its own types."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mypy"]
    for one in (settings, *settings["overrides"]):
        assert not one.get("ignore_errors", False), one
        assert not one.get("exclude"), one
    ours = [name for one in settings["overrides"] for name in one["module"] if name.startswith("specimeter")]
    assert ours == []
