"""Segmenters are found through installed packages' entry points, and what is wrong with one is said."""

from __future__ import annotations

import sys
import textwrap

import pytest

from specimeter.errors import SpecimeterError
from specimeter.segment import registry
from specimeter.sheet import BEND_TESTS, BROKEN_TESTS


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """A way to install a tiny package for one test: its module's text and its entry points."""
    site = tmp_path / "site"
    site.mkdir()
    monkeypatch.syspath_prepend(str(site))

    def install(name: str, module: str, entries: dict[str, str]) -> None:
        (site / f"{name}.py").write_text(textwrap.dedent(module))
        info = site / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
        lines = "\n".join(f"{key} = {value}" for key, value in entries.items())
        (info / "entry_points.txt").write_text(f"[{registry.GROUP}]\n{lines}\n")
        monkeypatch.delitem(sys.modules, name, raising=False)

    return install


def test_another_package_can_bring_one(installed):
    installed("nothing_found", "def find(photo, surface, area):\n    return []\n", {"nothing": "nothing_found:find"})
    assert registry.segmenter("nothing")(None, None, None) == []
    assert "nothing" in registry.names()


def test_another_package_is_run_on_whatever_face_it_is_asked_for(installed):
    """Ours give way to the one made for the test; what another package brings is never replaced."""
    installed("nothing_found", "def find(photo, surface, area):\n    return []\n", {"nothing": "nothing_found:find"})
    for test in (*BEND_TESTS, *BROKEN_TESTS):
        assert registry.for_test("nothing", test) == "nothing"
    assert registry.for_test("learned", BROKEN_TESTS[0]) != "learned"


def test_unknown_name_is_told_with_the_nearest(installed):
    installed("nothing_found", "def find(photo, surface, area):\n    return []\n", {"nothing": "nothing_found:find"})
    with pytest.raises(SpecimeterError, match="no segmenter is called 'nothin'") as caught:
        registry.segmenter("nothin")
    assert "nothing" in str(caught.value)


def test_two_packages_with_one_name(installed):
    installed("one_way", "def find(photo, surface, area):\n    return []\n", {"shared": "one_way:find"})
    installed("other_way", "def find(photo, surface, area):\n    return []\n", {"shared": "other_way:find"})
    with pytest.raises(SpecimeterError, match="two segmenters are called 'shared'"):
        registry.segmenter("shared")


@pytest.mark.parametrize(
    ("module", "value", "said"),
    [
        ("import no_such_library_here\n", "broken:find", "cannot be imported"),
        ("find = 3\n", "broken:find", "not a function but int"),
    ],
)
def test_one_that_does_not_work(installed, module, value, said):
    installed("broken", module, {"broken": value})
    with pytest.raises(SpecimeterError, match=said):
        registry.segmenter("broken")
