"""What is handed over: a wheel and an sdist that hold all that the core needs, and a repository as reviewers expect one."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("uncounted")

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """A folder with the wheel and the sdist, made by the build backend that pyproject.toml names."""
    folder = tmp_path_factory.mktemp("dist")
    run = subprocess.run([sys.executable, "-m", "hatchling", "build", "-d", folder], cwd=ROOT, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    return folder


def test_the_wheel_alone_is_the_whole_core(built, tmp_path):
    """Unpacked by itself, without the repository beside it, it knows its terms and samples and reads its networks; and it
    holds no test and nothing of Qt among what it asks for.
    """
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path)
        metadata = next(archive.read(name).decode() for name in archive.namelist() if name.endswith("METADATA"))
    assert not [path for path in tmp_path.rglob("test_*.py")]
    assert not re.findall(r"^Requires-Dist: (?:napari|pyqt|pyside|qtpy)[^;]*$", metadata, re.MULTILINE | re.IGNORECASE)
    own = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); "
    code = "import specimeter, json; from specimeter import cli, doctor; from specimeter.library import knowledge; "
    code += "checks = [*doctor.networks(), doctor.shipped_data()]; "
    code += "print(json.dumps([specimeter.__file__, len(knowledge.read().terms), [check.state for check in checks]]))"
    run = subprocess.run([sys.executable, "-I", "-c", own + code], cwd=tmp_path, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    where, terms, states = json.loads(run.stdout)
    assert Path(where).is_relative_to(tmp_path)
    assert terms > 10
    assert len(states) > 5
    assert set(states) == {"well"}


def test_the_sdist_holds_what_the_tests_need(built):
    """Whoever packages it can run the tests from it."""
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    for name in ("pyproject.toml", "LICENSE", "tests/run", "tests/conftest.py", "specimeter/cli.py", "shared/terms.toml"):
        assert name in names
    assert "plugins/specimeter_napari/napari.yaml" in names


def test_the_repository_review_passes():
    """The review of scientific Python repositories (sp-repo-review, its checks are those of the Scientific Python guide)."""
    run = subprocess.run([sys.executable, "-m", "repo_review", str(ROOT), "--format", "json"], capture_output=True, text=True)
    checks = json.loads(run.stdout)["checks"]
    assert len(checks) > 30
    failed = [f"{name}: {check['description']}" for name, check in checks.items() if check["result"] is False]
    assert not failed
    assert run.returncode == 0, run.stdout + run.stderr


def test_each_exception_from_the_review_has_its_reason():
    """In the table of exceptions a reason stands beside each."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8").partition("[tool.repo-review]")[2]
    lines = re.findall(r'^ +"[A-Z]+\d+",.*$', text, re.MULTILINE)
    assert lines
    assert all(re.search(r"# .{15,}", line) for line in lines)
