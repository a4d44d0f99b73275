"""Pages that explain: each kind, each test, and which test shows what, from the tables and the trainer's own pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from xml.etree.ElementTree import Element, SubElement

from specimeter.library import schematics, which_test
from specimeter.library.knowledge import Cover, Knowledge, Term, Test
from specimeter.library.page import add, new, table
from specimeter.rounding import counted

SAYS = {"yes": "shows it", "partial": "in part", "no": "misses it"}
SOURCE = (
    "Numbers are those of ISO 6520-1:2007. Definitions, looks and look-alikes are in our own words; what has no source of its "
    "own is common practice among inspectors. What codes usually ask is a guide: look it up in the edition in force."
)
Nav = Sequence[tuple[str, str]]
Pictures = Callable[[Element, str], int]  # puts a contact sheet of what fits a kind or a test; says how many


def kinds_page(known: Knowledge, site: str, nav: Nav, numbers: dict[str, int]) -> Element:
    """The list of kinds."""
    page, main = new("Kinds", site, here="Kinds", nav=nav)
    add(main, "h1", "What can be seen")
    add(main, "p", "A kind is what the eye sees. Why it came about is a second question.", **{"class": "lead quiet"})
    items = SubElement(main, "ul", {"class": "kinds"})
    for term in known.terms.values():
        item = SubElement(items, "li")
        add(item, "a", term.name.capitalize(), href=f"kinds/{term.id}.html")
        number = f" ({term.iso_6520_1})" if term.iso_6520_1 else ""
        add(item, "span", number, **{"class": "quiet"})
        add(item, "p", term.definition)
        add(item, "p", counted(numbers.get(term.id, 0), "picture"), **{"class": "note"})
    add(main, "p", SOURCE, **{"class": "note"})
    return page


def kind_page(known: Knowledge, term: Term, site: str, nav: Nav, pictures: Pictures) -> Element:
    """One kind: what it is, how to know it, why it formed, which test shows it, and pictures of it."""
    page, main = new(term.name.capitalize(), site, root="../", here="Kinds", nav=nav)
    add(main, "h1", term.name.capitalize())
    if term.iso_6520_1:
        add(main, "p", f"ISO 6520-1: {term.iso_6520_1}", **{"class": "quiet"})
    add(main, "p", term.definition, **{"class": "lead"})
    pair = SubElement(main, "div", {"class": "pair"})
    left = SubElement(pair, "div")
    for head, words in (
        ("How it looks", term.looks),
        ("How it formed", term.formed),
        ("What codes usually ask", term.usually_asked),
    ):
        add(left, "h2", head, **{"class": "small"})
        add(left, "p", words)
    figure = SubElement(pair, "figure")
    drawing = schematics.draw(term.schematic).root
    figure.append(drawing)
    add(figure, "figcaption", drawing.findtext("desc") or "")
    if term.alike:
        add(main, "h2", "Easily mistaken for")
        rows = [[_link(f"{one.kind}.html", known.terms[one.kind].name), one.tell] for one in term.alike]
        table(main, "Look-alikes and how to tell them apart", ["look-alike", "how to tell"], rows)
    add(main, "h2", "Which test shows it")
    lines = known.covers(term.id)
    if lines:
        finer = len({line.imperfection for line in lines}) > 1
        heads = ["test", *(["imperfection"] if finer else []), "", "why", "source"]
        rows = [
            [
                _link(f"../tests/{line.test}.html", known.tests[line.test].name),
                *([known.imperfections[line.imperfection]] if finer else []),
                _capability(line.capability),
                line.note,
                line.source,
            ]
            for line in _best_first(lines)
        ]
        table(main, f"Tests that show, or miss, {term.name}", heads, rows)
    else:
        add(main, "p", "The table of tests says nothing of this kind by itself: name its cause to see which test shows it.")
    if causes := known.causes_of(term.id):
        add(main, "h2", "Causes and remedies")
        rows = [[one.cause, one.why, one.remedy, one.source] for one in causes]
        table(main, f"Why {term.name} comes about, and what helps", ["cause", "why", "remedy", "source"], rows)
    add(main, "h2", "Pictures")
    if not pictures(main, term.id):
        add(main, "p", "The library has no picture of it yet that may be published.", **{"class": "quiet"})
    add(main, "p", SOURCE, **{"class": "note"})
    return page


def test_page(known: Knowledge, test: Test, site: str, nav: Nav, pictures: Pictures) -> Element:
    """One test: how it opens the joint, what it shows and what it misses."""
    page, main = new(test.name.capitalize(), site, root="../", here="Which test?", nav=nav)
    add(main, "h1", test.name.capitalize())
    natures = {
        "qualitative": "Qualitative: it shows soundness, and gives no number for strength.",
        "quantitative": "Quantitative: it gives a number.",
    }
    add(main, "p", test.says, **{"class": "lead"})
    pair = SubElement(main, "div", {"class": "pair"})
    left = SubElement(pair, "div")
    facts = SubElement(left, "dl")
    thick = " ".join(
        part
        for part in (
            f"from {test.least_thickness_mm:g} mm" if test.least_thickness_mm else "",
            f"up to {test.most_thickness_mm:g} mm" if test.most_thickness_mm else "",
        )
        if part
    )
    for name, value in (
        ("nature", natures[test.nature]),
        ("joints", ", ".join(test.joints)),
        ("usual thickness", thick or "any"),
        ("strains", test.strains),
        ("note", test.note),
    ):
        if value:
            add(facts, "dt", name)
            add(facts, "dd", value)
    figure = SubElement(pair, "figure")
    drawing = schematics.draw(schematics.of_test(test.id)).root
    figure.append(drawing)
    add(figure, "figcaption", drawing.findtext("desc") or "")
    add(main, "h2", "What it shows and what it misses")
    lines = [line for part in which_test.shown_by(known, test.id).values() for line in part]
    rows = [
        [known.imperfections[line.imperfection].capitalize(), _capability(line.capability), line.note, line.source]
        for line in lines
    ]
    table(main, f"What a {test.name} shows", ["imperfection", "", "why", "source"], rows)
    add(main, "h2", "Pictures")
    if not pictures(main, test.id):
        add(main, "p", "The library has no picture of it yet that may be published.", **{"class": "quiet"})
    return page


def which_page(known: Knowledge, site: str, nav: Nav) -> Element:
    """Which test? A form that answers at once, and the whole table for those without scripts and for print."""
    scripts = ("assets/knowledge.js", "assets/which.js")
    page, main = new("Which test?", site, here="Which test?", nav=nav, scripts=scripts)
    add(main, "h1", "Which test?")
    add(main, "p", "A test shows an imperfection only if it pulls its walls apart, or cuts it.", **{"class": "lead quiet"})
    form = SubElement(main, "form", {"class": "ask"})
    label = add(form, "label", "joint")
    select = SubElement(label, "select", name="joint")
    for joint in which_test.JOINTS:
        add(select, "option", joint, value=joint)
    label = add(form, "label", "thickness, mm")
    SubElement(label, "input", name="thickness", inputmode="decimal", autocomplete="off")
    group = SubElement(form, "fieldset", {"class": "checks"})
    add(group, "legend", "sought")
    for name in _in_table(known):
        label = SubElement(group, "label")
        box = SubElement(label, "input", type="checkbox", name="sought", value=name)
        if name == "lack-of-sidewall-fusion":
            box.set("checked", "checked")
        box.tail = known.imperfections[name]
    add(main, "p", "", **{"class": "found", "aria-live": "polite"})
    SubElement(main, "ol", {"class": "advice"})
    add(main, "h2", "The whole table")
    tests = list(known.tests.values())
    cell = {(line.test, line.imperfection): line.capability for line in known.coverage}
    rows = [
        [known.imperfections[name].capitalize(), *(_capability(cell.get((test.id, name), ""), short=True) for test in tests)]
        for name in _in_table(known)
    ]
    table(main, "What each test shows", ["imperfection", *(test.name for test in tests)], rows, "grid")
    links = SubElement(main, "p")
    links.text = "Tests: "
    for test in tests:
        add(links, "a", test.name, href=f"tests/{test.id}.html").tail = "  "
    add(main, "p", "The table is common practice; yours may differ: edit it in the library's folder.", **{"class": "note"})
    return page


def for_scripts(known: Knowledge) -> dict:
    """What the page of tests needs, as data for its script."""
    return {
        "tests": [
            {
                "id": test.id,
                "name": test.name,
                "nature": test.nature,
                "joints": list(test.joints),
                "least": test.least_thickness_mm,
                "most": test.most_thickness_mm,
                "plane": test.one_plane,
            }
            for test in known.tests.values()
        ],
        "names": dict(known.imperfections),
        "coverage": [[line.test, line.imperfection, line.capability, line.note] for line in known.coverage],
    }


def _in_table(known: Knowledge) -> list[str]:
    return list(dict.fromkeys(line.imperfection for line in known.coverage))


def _best_first(lines: Sequence[Cover]) -> list[Cover]:
    order = ("yes", "partial", "no")
    return sorted(lines, key=lambda line: order.index(line.capability))


def _capability(value: str, *, short: bool = False) -> Element | str:
    if not value:
        return "–"
    cell = Element("span", {"class": value})
    cell.text = value if short else SAYS[value]
    return cell


def _link(href: str, name: str) -> Element:
    link = Element("a", href=href)
    link.text = name[:1].upper() + name[1:]
    return link
