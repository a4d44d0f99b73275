"""The worked examples of DEVELOPERS.md do what they say: each change is made in a copy of the package, and used.

The examples are the page's own code blocks: ``diff`` changes files, ``toml`` and ``python`` whose first line is a comment
with a file's name become that file, and the last ``python`` of an example is run with the changed package.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("uncounted")

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DAY = PAGE.split("## A contributor's day\n")[1].split("\n## ")[0]
EXAMPLES = dict(part.split("\n", 1) for part in DAY.split("\n### ")[1:])


def blocks(example: str) -> list[tuple[str, str]]:
    """Language and content of each code block, in their order."""
    return re.findall(r"^```(\w+)\n(.*?)^```$", example, re.MULTILINE | re.DOTALL)


def changed(folder: Path, diff: str) -> None:
    """Make the changes of a ``diff`` block: each place, parted by ``@@``, is found by what is there before."""
    for part in diff.split("--- ")[1:]:
        name, lines = part.split("\n", 1)
        file = folder / name
        text = file.read_text(encoding="utf-8")
        for place in (place.strip("\n").split("\n") for place in lines.split("@@\n")):
            before = "".join(f"{line[1:]}\n" for line in place if line[:1] in " -")
            after = "".join(f"{line[1:]}\n" for line in place if line[:1] in " +")
            assert text.count(before) == 1, (
                f"{name}: what the example changes stands there {text.count(before)} times:\n{before}"
            )
            text = text.replace(before, after)
        file.write_text(text, encoding="utf-8")


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_worked_example_works(name, tmp_path):
    """As a contributor would: change the files, then use what is new."""
    package = tmp_path / "checkout"
    for part in ("specimeter", "shared"):
        ignored = shutil.ignore_patterns("__pycache__", "*.onnx", "*.pt", "training", "scene")
        shutil.copytree(ROOT / part, package / part, ignore=ignored)
    work = tmp_path / "work"
    work.mkdir()
    *given, (last, code) = blocks(EXAMPLES[name])
    assert last == "python"
    for kind, content in given:
        titled = re.match(r"# ([\w.]+)\n", content)
        if kind == "diff":
            changed(package, content)
        elif titled:
            (work / titled[1]).write_text(content, encoding="utf-8")
        else:  # a package's own pyproject.toml: installed, it leaves its entry points
            project = tomllib.loads(content)["project"]
            points = work / f"{project['name']}-{project['version']}.dist-info"
            points.mkdir()
            (points / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
            told = [
                f"[{group}]\n{key} = {value}\n" for group, one in project["entry-points"].items() for key, value in one.items()
            ]
            (points / "entry_points.txt").write_text("".join(told))
    if given[0][0] == "diff":
        unchanged = run(code, work, ROOT)
        assert unchanged.returncode != 0, "without the change the example works too: it shows nothing"
    answer = run(code, work, package)
    assert answer.returncode == 0, answer.stderr


def run(code: str, work: Path, package: Path) -> subprocess.CompletedProcess[str]:
    """A piece of code in a folder, with a package and with what lies in that folder."""
    path = os.pathsep.join([str(package), str(work)])
    return subprocess.run(
        [sys.executable, "-c", code], cwd=work, env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True
    )


def test_every_kind_of_addition_has_its_example():
    """Five, as the page says."""
    assert len(EXAMPLES) == 5
