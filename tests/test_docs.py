"""What the documentation names is there: links, scripts, commands and options; and the trade's words are spelt one way."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from functools import cache
from pathlib import Path

import pytest

from specimeter.cli import COMMANDS
from tests.conftest import nodes

ROOT = Path(__file__).resolve().parents[1]
ELSEWHERE = {".venv", ".pytest_cache", "build", "dist"}
PAGES = sorted(path for path in ROOT.glob("**/*.md") if not ELSEWHERE & set(path.relative_to(ROOT).parts))
OTHERWISE = {  # spellings of the trade's words and of British English that do not stand in text for people
    r"side[- ]wall fusion": "sidewall fusion",
    r"inter ?run fusion|interrun": "inter-run fusion",
    r"under-cut|over-lap|fish-eye|fish eye": "undercut, overlap, fisheye",
    r"nickbreak|filletbreak": "nick-break, fillet-break",
    r"caliper": "calliper",
    r"millimeter|centimeter|(?<!speci)(?<!para)\bmeters\b": "millimetre",
    r"\bgray\b|\bcolors?\b|\bcenter(s|ed)?\b": "grey, colour, centre",
    r"\banalyz|\brecogniz|\borganiz|\bbehavior|\bneighbor|\bfavor": "analyse, recognise, organise, behaviour, neighbour",
    r"aluminum|sulfur": "aluminium, sulphur",
    r"\bcatalog\b|\bdialog\b": "catalogue, dialogue",
}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page):
    """Every link to a file of the repository, and to a heading of the page itself."""
    text = page.read_text(encoding="utf-8")
    headings = {
        re.sub(r"[^\w\- ]", "", line.lstrip("# ")).lower().replace(" ", "-") for line in text.splitlines() if line[:1] == "#"
    }
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"https?:|mailto:", target):
            continue
        file, _, heading = target.partition("#")
        assert not file or (page.parent / file).exists(), f"{page.name} links to {target}"
        assert file or heading in headings, f"{page.name} has no heading {heading}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_scripts_and_files_that_are_named_exist(page):
    """Paths in code spans that begin at the top of the repository."""
    text = page.read_text(encoding="utf-8")
    for path in re.findall(
        r"(?:tests|plugins|specimeter|shared|sample_images)/[\w./-]+\.(?:py|md|toml|csv|typ|onnx|json)\b", text
    ):
        assert (ROOT / path).exists(), f"{page.name} names {path}"


def test_commands_in_the_readme_exist():
    """`specimeter NAME` is a command of that name."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^| |`|/)specimeter ([a-z]+) ", text))
    assert named <= {*COMMANDS, "does"}, named - set(COMMANDS)
    assert len(named) >= 8


WITH_EXAMPLES = sorted(path for path in (ROOT / "specimeter").rglob("*.py") if ">>> " in path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: path.stem)
def test_examples_in_docstrings_hold(path):
    """What stands behind `>>>` gives what stands beneath it."""
    module = importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    done = doctest.testmod(module)
    assert done.attempted > 0
    assert done.failed == 0


@cache
def for_people(path: Path) -> str:
    """The text in a file that people read: of a module its strings and docstrings, else everything."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return re.sub(r"```.*?```|`[^`]*`", "", text, flags=re.DOTALL)
    strings = [node.value for node in nodes(text) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return "\n".join(each for each in strings if " " in each)


@pytest.mark.parametrize("wrong", OTHERWISE)
def test_words_are_spelt_one_way(wrong):
    """In pages, in sentences of reports and messages, and in docstrings; published titles, code and libraries keep theirs."""
    found = []
    shared = [path for form in ("csv", "toml") for path in (ROOT / "shared").rglob(f"*.{form}")]
    ours = [path for path in shared if path.parent.name != "language"]  # a translation is spelt as its language spells
    for path in [*PAGES, *(ROOT / "specimeter").rglob("*.py"), *ours]:
        for line in for_people(path).splitlines():
            others = "SIGGRAPH" in line or "data organization" in line or re.search(r"[{};<>]|#set", line)
            if re.search(wrong, line, re.IGNORECASE) and not others:
                found.append(f"{path.relative_to(ROOT)}: {line.strip()[:90]}")
    assert not found, f"write {OTHERWISE[wrong]}"
