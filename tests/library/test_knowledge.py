"""The tables of kinds, tests and causes are whole, agree with each other and with the reference, and may be edited."""

from __future__ import annotations

import csv
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from specimeter.errors import LibraryError
from specimeter.library import knowledge, schematics, which_test
from specimeter.library.entry import TESTS
from specimeter.sheet import KINDS

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference"


@pytest.fixture(scope="module")
def known():
    return knowledge.read()


def test_every_kind_and_test_is_explained(known):
    """Each kind has its page: its own words, a schematic, look-alikes, and causes; each test a schematic."""
    assert set(known.terms) == set(KINDS)
    assert set(TESTS) <= set(known.tests)
    for term in known.terms.values():
        assert term.schematic in schematics.names()
        assert term.alike
        assert min(len(term.definition), len(term.looks), len(term.formed), len(term.usually_asked)) > 20
        assert known.causes_of(term.id), term.id
        assert all(one.kind != term.id for one in term.alike)
    for test in known.tests:
        assert schematics.of_test(test) in schematics.names()
    assert all(line.source for line in (*known.coverage, *known.causes))


def test_every_test_says_something_of_every_imperfection(known):
    pairs = [(line.test, line.imperfection) for line in known.coverage]
    names = {line.imperfection for line in known.coverage}
    assert len(set(pairs)) == len(pairs) == len(known.tests) * len(names)


@pytest.fixture(scope="module")
def reference() -> list[dict[str, str]]:
    """The table kept beside the checkout."""
    if not (REFERENCE / "test_coverage.csv").is_file():
        pytest.skip("the reference values beside the checkout are not here")
    with (REFERENCE / "test_coverage.csv").open(encoding="utf-8") as stream:
        return [line for line in csv.DictReader(stream) if line["imperfection"] != "*"]


def test_the_table_says_what_the_reference_says(known, reference):
    """Common practice, collected outside of this code: every capability of it, but for a crack in the plane of a section."""
    ours = {(line.test, line.imperfection): line.capability for line in known.coverage}
    names = {
        "porosity": "pore", "slag inclusion": "slag", "lack of side wall fusion": "lack-of-sidewall-fusion",
        "lack of inter-run fusion": "lack-of-inter-run-fusion", "lack of root fusion": "lack-of-root-fusion",
        "incomplete root penetration": "lack-of-penetration", "undercut": "undercut", "HAZ embrittlement": "haz-embrittlement",
        "longitudinal crack": "longitudinal-crack", "transverse crack": "transverse-crack", "crack": "longitudinal-crack",
        "profile / throat": "profile",
    }  # fmt: skip
    tests = {"macro": "macro-butt", "tensile_transverse": "tensile"}
    for line in reference:
        test = tests.get(line["test"], line["test"].replace("_", "-"))
        assert ours[test, names[line["imperfection"]]] == line["capability"], line


@pytest.mark.parametrize(
    ("sought", "joint", "mm", "best"),
    [
        (["lack-of-sidewall-fusion"], "butt", 20.0, "side-bend"),
        (["lack-of-root-fusion"], "butt", 8.0, "root-bend"),
        (["transverse-crack"], "butt", 20.0, "longitudinal-bend"),
        (["pore", "slag"], "butt", 20.0, "nick-break"),
        (["lack-of-root-fusion"], "fillet", 10.0, "fillet-break"),
        (["undercut"], "fillet", 10.0, "macro-fillet"),
        (["fisheye"], "butt", 20.0, "tensile"),
    ],
)
def test_the_test_that_an_inspector_would_name_is_among_the_best(known, sought, joint, mm, best):
    """What teachers teach (common practice): the test named shows all that is sought, and none is ranked above for more."""
    advice = which_test.which_tests(known, sought, joint=joint, thickness_mm=mm)
    found = next(one for one in advice if one.test.id == best)
    assert found.worth == advice[0].worth == 1.0
    assert "shows" in found.reason


def test_a_test_out_of_its_thickness_stands_lower_and_says_so(known):
    thin = {one.test.id: one for one in which_test.which_tests(known, ["slag"], joint="butt", thickness_mm=6.0)}
    assert "usual from 10 mm" in thin["side-bend"].reason
    assert thin["side-bend"].worth == 0.5


def test_the_other_way_round(known):
    shown = which_test.shown_by(known, "side-bend")
    assert "lack-of-sidewall-fusion" in {line.imperfection for line in shown["yes"]}
    assert "transverse-crack" in {line.imperfection for line in shown["no"]}
    with pytest.raises(LibraryError, match='did you mean "side-bend"'):
        which_test.shown_by(known, "side bend")
    with pytest.raises(LibraryError, match="no test is known"):
        which_test.which_tests(known, ["rust"], joint="butt")
    with pytest.raises(LibraryError, match="unknown joint"):
        which_test.which_tests(known, ["slag"], joint="corner")


def test_the_trainer_s_own_table_is_used_and_its_mistakes_are_named(library):
    table = library.folder / "knowledge" / "test_coverage.csv"
    text = table.read_text(encoding="utf-8").replace("side-bend,slag,yes,", "side-bend,slag,no,ours: ")
    table.write_text(text, encoding="utf-8")
    own = knowledge.read(library.folder)
    assert next(line for line in own.coverage if (line.test, line.imperfection) == ("side-bend", "slag")).capability == "no"
    table.write_text(text + "side-bend,slaag,yes,,mine\n", encoding="utf-8")
    with pytest.raises(LibraryError, match='unknown imperfection "slaag"') as refused:
        knowledge.read(library.folder)
    assert "line 142" in str(refused.value)
    table.write_text(text + "side-bend,slag,maybe,,mine\n", encoding="utf-8")
    with pytest.raises(LibraryError, match="'yes', 'partial' or 'no'"):
        knowledge.read(library.folder)


@pytest.mark.parametrize("name", schematics.names())
def test_a_schematic_is_whole_svg_with_words_for_who_cannot_see_it(name):
    drawing = ElementTree.fromstring(schematics.draw(name).alone())
    space = "{http://www.w3.org/2000/svg}"
    assert len(drawing.findtext(f"{space}title") or drawing.findtext("title") or "") > 5
    assert len(drawing.findtext(f"{space}desc") or drawing.findtext("desc") or "") > 30
    width, height = (float(value) for value in drawing.get("viewBox").split()[2:])
    for text in drawing.iter():
        if text.tag.endswith("text"):
            assert 0 <= float(text.get("x")) <= width
            assert 0 <= float(text.get("y")) <= height


def test_lines_of_pull_crowd_more_under_a_sharper_notch():
    """Potential flow past an ellipse: at its end the speed is 1 + depth / b = 1 + sqrt(depth / radius) (Lamb, art. 71)."""
    for depth, radius in ((30.0, 30.0), (30.0, 3.0)):
        levels = np.array([0.0, 0.01]) + 1e-9
        low, high = (line[np.argmin(np.abs(line[:, 0]))][1] for line in schematics.notch_lines(depth, radius, levels, 100.0))
        assert low == pytest.approx(depth, rel=1e-3)
        assert 0.01 / (high - low) == pytest.approx(1 + np.sqrt(depth / radius), rel=0.02)
