"""The site opens by double click: whole, searchable, accessible, and no text in it is ever run."""

from __future__ import annotations

import itertools
import json
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image

from specimeter.errors import LibraryError
from specimeter.library import catalogue, knowledge, picture, schematics, store, which_test
from specimeter.library.entry import made
from specimeter.library.find import Query, find
from specimeter.library.publish import publish

HOSTILE = [
    '<img src=x onerror="window.hacked=1">',
    "</script><script>window.hacked=2</script>",
    '"><svg onload=window.hacked=3>',
    "javascript:window.hacked=4",
    "reversed \u202e name",
    "Crack \u00e9tendu, straight",
    "Pore beside a wall",
    "A clean face",
]


@pytest.fixture(scope="module")
def library(tmp_path_factory, pictures):
    """Eight entries with hostile and honest names; one has no permission."""
    folder = tmp_path_factory.mktemp("published")
    kinds = ["crack", "pore", "slag", "undercut", "crack", "crack", "pore", None]
    with store.create(folder / "library") as opened:
        for number, (title, kind) in enumerate(zip(HOSTILE, kinds, strict=True)):
            Image.fromarray(pictures[0](number)).save(folder / f"{number}.png")
            ring = [[30.0, 30.0], [90.0, 30.0], [90.0, 45.0]]
            seen = (
                [{"id": title[:150], "kind": kind, "outline_px": ring, "length_mm": 0.5 + number, "why": title}] if kind else []
            )
            fields = {
                "title": title,
                "notes": title,
                "tags": [title],
                "author": title,
                "test": ["side-bend", "nick-break"][number % 2],
            }
            fields |= {
                "licence": "CC0",
                "permission": title,
                "seen": seen,
                "clean": not seen,
                "mm_per_px": 0.1,
                "process": "136",
            }
            catalogue.add(opened, picture.copy_of(folder / f"{number}.png"), made(fields))
        Image.fromarray(pictures[0](50)).save(folder / "private.png")
        catalogue.add(opened, picture.copy_of(folder / "private.png"), made({"title": "private", "licence": "CC0"}))
        yield opened


@pytest.fixture(scope="module")
def site(library, tmp_path_factory):
    """The published folder."""
    out = tmp_path_factory.mktemp("site") / "site"
    done = publish(library, out, title="Library of <b>tests</b>")
    assert (done.entries, done.kept_back) == (8, (9,))
    return out


class Page(HTMLParser):
    """What a page asks for and how it is built."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.tags, self.links, self.inline, self.handlers, self.unlabelled = [], [], [], [], []
        self.inside: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        self.tags.append((tag, told))
        self.links += [told[name] for name in ("src", "href") if told.get(name)]
        self.handlers += [name for name in told if name.startswith("on") or name == "style"]
        if tag == "script" and "src" not in told:
            self.inline.append(told)
        if tag in ("input", "select") and "label" not in self.inside and told.get("id") != "outlines":
            self.unlabelled.append(told)
        self.inside.append(tag)

    def handle_endtag(self, tag):
        while self.inside and self.inside.pop() != tag:
            pass


def test_no_page_has_a_script_of_its_own_or_asks_the_network(site):
    """Classic scripts from the folder alone; every link leads to a file that is there; pictures have their words."""
    pages = sorted(site.rglob("*.html"))
    assert len(pages) == 8 + 14 + 10 + 3
    for path in pages:
        page = Page(path)
        assert page.inline == page.handlers == page.unlabelled == [], path
        for link in page.links:
            assert "://" not in link, (path, link)
            if not link.startswith("#"):
                assert (path.parent / link).is_file(), (path, link)
        assert sum(tag == "h1" for tag, _ in page.tags) == 1
        assert all("alt" in told for tag, told in page.tags if tag == "img")
        assert not any(tag == "script" and told.get("type") == "module" for tag, told in page.tags)
        assert ("html", {"lang": "en"}) in page.tags
        assert page.tags[0][0] == "html"
    for script in (site / "assets").glob("*.js"):
        text = script.read_text(encoding="utf-8")
        assert "fetch(" not in text
        assert "innerHTML" not in text
        assert "eval(" not in text


def test_what_has_no_permission_stays_behind(site):
    assert all(b"private" not in path.read_bytes() for path in site.rglob("*.html"))
    assert b"private" not in (site / "assets" / "data.js").read_bytes()
    assert len(list((site / "pictures").iterdir())) == 8


def test_hostile_names_are_shown_and_not_run(site, browser):
    """On the list, on their own page and on the page of their kind they are words; nothing of them runs."""
    assert "<script>" not in (site / "assets" / "data.js").read_text(encoding="utf-8")
    if browser is None:
        return
    for name in ("index.html", "entries/1.html", "entries/2.html", "entries/3.html", "kinds/crack.html"):
        browser.open((site / name).as_uri())
        assert browser.complaints() == []
        assert browser.run("typeof window.hacked") == "undefined"
    browser.open((site / "index.html").as_uri())
    shown = browser.run("Array.from(document.querySelectorAll('.contact .name')).map(function (e) { return e.textContent; })")
    assert set(HOSTILE) == set(shown)


@pytest.mark.parametrize(
    "wanted",
    [
        {"words": "crack"},
        {"words": "étendu"},
        {"words": "ETENDU str"},
        {"words": "script"},
        {"words": "x"},
        {"words": "nowhere"},
        {"kind": "crack"},
        {"kind": "crack", "least_mm": 4.0},
        {"test": "nick-break", "most_mm": 4.0},
        {"clean": True},
        {"words": "side bend", "process": "136"},
    ],
)
def test_the_page_finds_what_the_command_finds(library, site, browser, wanted):
    """Typing into the page and asking the library give the same pictures, in the same order."""
    expected = [one.id for one in find(library, Query(**wanted, publishable=True)).hits]
    if browser is None:
        return
    browser.open((site / "index.html").as_uri())
    fields = {"words": "words", "kind": "kind", "test": "test", "process": "process", "least_mm": "least", "most_mm": "most"}
    for name, value in wanted.items():
        text = "true" if name == "clean" else str(value)
        browser.run(f"document.querySelector('form.search').elements['{fields.get(name, name)}'].value = {text!r}")
    browser.run("document.querySelector('form.search').dispatchEvent(new Event('input'))")
    shown = browser.run(
        "Array.from(document.querySelectorAll('.contact a')).map(function (e) { return e.getAttribute('href'); })"
    )
    assert [int(Path(href).stem) for href in shown] == expected


def test_the_page_ranks_tests_as_the_command_does(site, browser):
    """Which test? For every joint, some thicknesses and pairs of imperfections: the same order."""
    known = knowledge.read()
    names = list(dict.fromkeys(line.imperfection for line in known.coverage))
    cases = [
        (sought, joint, mm)
        for sought in [*((name,) for name in names), *itertools.islice(itertools.combinations(names, 2), 0, None, 9)]
        for joint in which_test.JOINTS
        for mm in (None, 8.0, 20.0)
    ]
    expected = [[one.test.id for one in which_test.which_tests(known, s, joint=j, thickness_mm=mm)] for s, j, mm in cases]
    assert all(expected)
    if browser is None:
        return
    browser.open((site / "which-test.html").as_uri())
    ranked = "function (c) { return specimeterAdvise(c[0], c[1], c[2]).map(function (a) { return a.test.id; }); }"
    shown = browser.run(f"{json.dumps(cases)}.map({ranked})")
    assert shown == expected


@pytest.mark.parametrize(
    "name", ["index.html", "kinds.html", "which-test.html", "entries/6.html", "kinds/crack.html", "tests/side-bend.html"]
)
@pytest.mark.parametrize("phone", [False, True])
def test_no_page_has_a_fault_of_accessibility(site, browser, name, phone):
    """axe-core finds no violation, in a wide window and on a phone; nothing is wider than the window."""
    assert 'name="viewport"' in (site / name).read_text(encoding="utf-8")
    if browser is None:
        return
    import axe_core_python

    axe = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    width = 390 if phone else 1200
    browser.open((site / name).as_uri(), width, 844, phone=phone)
    browser.run(axe + ";1")
    told = "function (v) { return v.id + ': ' + v.nodes[0].html.slice(0, 200); }"
    found = browser.run(f"axe.run().then(function (r) {{ return r.violations.map({told}); }})")
    assert found == []
    assert browser.run("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("name", ["index.html", "kinds.html", "kinds/crack.html", "which-test.html", "entries/1.html"])
def test_every_kind_of_page_opens_in_firefox(site, firefox, name):
    """By its file's address: its scripts run, its pictures are there, nothing is complained of, axe-core finds nothing."""
    if firefox is None:
        return
    firefox.open((site / name).as_uri())
    assert firefox.complaints() == []
    assert firefox.violations() == []
    assert firefox.run("Array.from(document.images).every(function (i) { return !i.complete || i.naturalWidth > 0; })")
    if name == "index.html":
        firefox.run(
            "var f = document.querySelector('form.search'); f.elements.kind.value = 'pore';f.dispatchEvent(new Event('input'));"
        )
        shown = firefox.run(
            "Array.from(document.querySelectorAll('.contact .name')).map(function (e) { return e.textContent; })"
        )
        assert sorted(shown) == sorted(["Pore beside a wall", HOSTILE[1]])


def test_the_words_of_every_drawing_lie_in_it(firefox, tmp_path):
    """Whatever serif the machine has: Firefox tells how wide it sets them."""
    if firefox is None:
        return
    drawn = "".join(schematics.draw(name).alone().decode() for name in schematics.names())
    (tmp_path / "all.html").write_text(f"<!doctype html><meta charset=utf-8>{drawn}", encoding="utf-8")
    firefox.open((tmp_path / "all.html").as_uri())
    outside = firefox.run(
        "Array.from(document.querySelectorAll('svg text')).filter(function (t) {"
        "var s = t.ownerSVGElement.viewBox.baseVal, b = t.getBBox();"
        "return b.x < 0 || b.y < 0 || b.x + b.width > s.width || b.y + b.height > s.height;"
        "}).map(function (t) { return t.textContent; })"
    )
    assert outside == []


def test_print_leaves_out_what_paper_cannot_use(site, browser):
    css = (site / "assets" / "site.css").read_text(encoding="utf-8")
    assert "@media print" in css
    if browser is None:
        return
    browser.open((site / "kinds" / "crack.html").as_uri())
    browser.ask("Emulation.setEmulatedMedia", media="print")
    assert browser.run("getComputedStyle(document.querySelector('.top')).display") == "none"
    browser.ask("Emulation.setEmulatedMedia", media="")


def test_what_is_refused_leaves_the_older_site_as_it_was(library, site, tmp_path):
    """An exercise that is none, and one that lies in the site, which is written anew."""
    shutil.copytree(site, tmp_path / "site")
    (tmp_path / "site" / "exercises" / "week-1").mkdir(parents=True)
    (tmp_path / "site" / "exercises" / "week-1" / "exercise-title.txt").write_text("Week 1", encoding="utf-8")
    before = sorted(tmp_path.rglob("*"))
    for folder, said in ((tmp_path, "not an exercise"), (tmp_path / "site" / "exercises" / "week-1", "lies in the site")):
        with pytest.raises(LibraryError, match=said):
            publish(library, tmp_path / "site", exercises=[folder])
        assert sorted(tmp_path.rglob("*")) == before


def test_a_site_is_written_over_itself_and_over_nothing_else(library, site, tmp_path):
    publish(library, site, title="Again")
    assert "Again" in (site / "index.html").read_text(encoding="utf-8")
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(LibraryError, match="something there already"):
        publish(library, tmp_path)
