"""Data flows one way, the core knows no window, and `--help` loads nothing heavy."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import nodes

pytestmark = pytest.mark.usefixtures("uncounted")

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "specimeter"

# A room may import from rooms of a lower number, and from itself.
RANK = {
    "": 0,
    "errors": 0,
    "files": 0,
    "data": 0,
    "rounding": 0,
    "toml_file": 0,
    "sheet_fields": 0,
    "sheet_sizes": 0,
    "colour": 0,
    "decode": 0,
    "apart": 0,
    "lookup": 0,
    "networks": 0,
    "photo": 1,
    "sheet": 1,
    "scale": 2,
    "segment": 3,
    "measure": 4,
    "judge": 5,
    "record": 6,
    "report": 7,
    "job": 8,
    "library": 8,
    "revise": 9,
    "audit": 9,
    "coupon": 9,
    "batch": 9,
    "doctor": 9,
    "validate": 9,
    "training": 9,
    "commands": 10,
    "cli": 11,
    "__main__": 12,
}
SCENE_MAY_IMPORT = {"", "errors", "files", "data", "scene"}  # the independent truth: nothing of what it is to judge


def room(module: str) -> str:
    """The second part of a dotted module name: its room."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports_of(source: str) -> set[str]:
    """Modules of specimeter that a source text imports, at any depth."""
    found = set()
    for node in nodes(source):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, "relative imports hide the room"
            if node.module == "specimeter":
                found |= {f"specimeter.{alias.name}" for alias in node.names if not alias.name.startswith("__")}
            found.add(node.module)
    return {name for name in found if name.split(".")[0] == "specimeter"}


def offences(path: str, source: str) -> list[str]:
    """Imports that point the wrong way, as sentences."""
    own = room("specimeter." + path.removesuffix(".py").removesuffix("/__init__").replace("/", "."))
    if own == "__init__":
        own = ""
    wrong = []
    for module in sorted(imports_of(source)):
        other = room(module)
        if own == other:
            continue
        if own == "scene":
            allowed = other in SCENE_MAY_IMPORT
        elif other == "scene":
            allowed = own in ("validate", "training", "commands", "library")
        else:
            allowed = RANK[other] < RANK[own] or RANK[other] == 0
        if not allowed:
            wrong.append(f"{path} imports {module}")
    return wrong


def test_imports_point_one_way():
    """photo -> scale -> segment -> measure -> judge -> record -> report; the scene stands apart."""
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        wrong += offences(path.relative_to(PACKAGE).as_posix(), path.read_text(encoding="utf-8"))
    assert wrong == []


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("scale/card.py", "from specimeter.segment import area"),
        ("measure/sizes.py", "import specimeter.judge.decide"),
        ("scene/render.py", "from specimeter.scale.view import View"),
        ("segment/area.py", "def late():\n    from specimeter.report import html"),
    ],
)
def test_a_wrong_import_is_noticed(path, source):
    """The check above can fail."""
    assert len(offences(path, source)) == 1


def test_the_core_knows_no_window():
    """No module of the core imports Qt or napari."""
    for path in PACKAGE.rglob("*.py"):
        for node in nodes(path.read_text(encoding="utf-8")):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) and node.module else []
            for name in names:
                assert name.split(".")[0] not in {"napari", "qtpy", "PyQt6", "PySide6", "PyQt5", "magicgui"}, path


def test_the_command_line_is_light_to_import():
    """`--help` must not wait for numpy, OpenCV or the rest."""
    heavy = "{'numpy', 'cv2', 'scipy', 'pandas', 'skimage', 'PIL', 'pydantic', 'typst', 'napari', 'qtpy'}"
    code = f"import sys, specimeter.cli; specimeter.cli.parser(); print(sorted({heavy} & set(sys.modules)))"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"


def test_parts_of_large_libraries_are_loaded_when_they_are_used():
    """They take as long to load as all the rest: a command that measures nothing waits for none, a clean face for few."""
    parts = "('scipy.special', 'scipy.ndimage', 'scipy.spatial', 'scipy.optimize', 'scipy.linalg', 'skimage.measure')"
    code = f"import sys, specimeter.job; print([part for part in {parts} if part in sys.modules])"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"


def test_every_module_says_in_its_first_line_what_it_is_for():
    """A stranger reads the first line of a file."""
    for path in PACKAGE.rglob("*.py"):
        words = ast.get_docstring(nodes(path.read_text(encoding="utf-8"))[0])
        assert words, path
        assert len(words.splitlines()[0]) > 20, path


def test_no_file_is_too_long_to_read_in_one_sitting():
    """Five hundred lines hold one idea; more hold two."""
    for folder in (PACKAGE, ROOT / "tests", ROOT / "plugins"):
        for path in folder.rglob("*.py"):
            assert len(path.read_text(encoding="utf-8").splitlines()) <= 500, path
