"""The code is written one way: ruff finds nothing, and would lay no line out otherwise; its rules stand in pyproject.toml."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("uncounted")

ROOT = Path(__file__).resolve().parents[1]


def ruff(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "ruff", *arguments], cwd=ROOT, capture_output=True, text=True)


@pytest.mark.parametrize("check", [("check",), ("format", "--check")], ids=" ".join)
def test_ruff_finds_nothing(check):
    answer = ruff(*check, "--no-cache", ".")
    assert answer.returncode == 0, answer.stdout + answer.stderr


def test_a_name_that_nobody_uses_is_noticed(tmp_path):
    """The check above can fail."""
    wrong = tmp_path / "wrong.py"
    wrong.write_text("import os\n", encoding="utf-8")
    assert ruff("check", "--config", str(ROOT / "pyproject.toml"), str(wrong)).returncode == 1
