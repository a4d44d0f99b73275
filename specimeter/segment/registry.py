"""Which segmenter finds the openings: looked up by name in the entry-point group, so that others can plug in theirs."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from importlib.metadata import entry_points

from specimeter.errors import SpecimeterError
from specimeter.segment.model import Outline
from specimeter.sheet import BEND_TESTS, BROKEN_TESTS, MACRO_TESTS

GROUP = "specimeter.segmenters"
MADE_FOR = {  # ours; others say nothing and are run
    "openings": (*BEND_TESTS, *MACRO_TESTS),
    "learned": BEND_TESTS,
    "learned-fracture": BROKEN_TESTS,
    "fracture": BROKEN_TESTS,
    "section": MACRO_TESTS,
}
INSTEAD = {test: "learned-fracture" for test in BROKEN_TESTS} | {test: "section" for test in MACRO_TESTS}  # else
Segmenter = Callable[..., list[Outline]]  # (photo, surface, area) -> outlines


def names() -> tuple[str, ...]:
    """Names of all installed segmenters, sorted."""
    return tuple(sorted({entry.name for entry in entry_points(group=GROUP)}))


def for_test(name: str, test: str) -> str:
    """The segmenter to run on a test's face: the one asked for, or ours for that kind of surface if it was not made for it."""
    made_for = MADE_FOR.get(name)
    return name if made_for is None or test in made_for else INSTEAD.get(test, name)


def segmenter(name: str = "openings") -> Segmenter:
    """The installed segmenter of that name: a function of (photo, surface, area) that returns a list of `Outline`.

    Raises
    ------
    SpecimeterError
        If none has that name, two packages claim it, or it cannot be imported.
    """
    found = [entry for entry in entry_points(group=GROUP) if entry.name == name]
    if not found:
        known = names()
        near = get_close_matches(name, known, n=1)
        raise SpecimeterError(
            f"no segmenter is called {name!r}",
            expected=f"one of {', '.join(known)}" if known else f"an installed package with entry points in {GROUP!r}",
            mend=f"did you mean {near[0]!r}?" if near else "install the package that brings it, or install specimeter again",
        )
    if len({entry.value for entry in found}) > 1:
        claims = ", ".join(sorted(entry.value for entry in found))
        raise SpecimeterError(
            f"two segmenters are called {name!r}: {claims}",
            expected="one package for each name",
            mend="uninstall one of the packages that bring them",
        )
    try:
        function = found[0].load()
    except (ImportError, AttributeError) as error:
        raise SpecimeterError(
            f"the segmenter {name!r} ({found[0].value}) cannot be imported: {error}",
            expected="an importable function",
            mend="install the package that brings it again",
        ) from error
    if not callable(function):
        raise SpecimeterError(
            f"the segmenter {name!r} ({found[0].value}) is not a function but {type(function).__name__}",
            expected="a function of (photo, surface, area)",
            mend="tell its author",
        )
    return function
