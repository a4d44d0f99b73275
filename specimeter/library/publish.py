"""The library as a folder of pages that opens by double click: pictures, search, explanations; no server, no network."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement

from specimeter import files
from specimeter.errors import LibraryError
from specimeter.library import catalogue, explain, facets, framing, knowledge
from specimeter.library.catalogue import Kept
from specimeter.library.entry import TESTS
from specimeter.library.page import ASSETS, add, asset, data_script, html, new, table
from specimeter.library.store import Store, explained
from specimeter.report import words
from specimeter.rounding import counted, plus_minus
from specimeter.sheet import KINDS

MARKER = "published-by-specimeter.txt"
FOLDERS = ("entries", "kinds", "tests", "pictures", "thumbs", "exercises")  # of a site; an older one's are taken away
NAV = (("Pictures", "index.html"), ("Kinds", "kinds.html"), ("Which test?", "which-test.html"))
SHEET = 24  # pictures on a page that explains
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """How many entries went out, and the numbers of those that stayed behind for want of a licence or a permission."""

    entries: int
    kept_back: tuple[int, ...]


def publish(
    store: Store,
    out: str | Path,
    *,
    title: str = "Weld specimen library",
    exercises: Sequence[Path] = (),
    progress: Progress = print,
) -> Published:
    """Write the site into a new folder, an empty one, or one that an earlier call wrote.

    Parameters
    ----------
    store : Store
        The library.
    out : str or Path
        The site's folder.
    title : str
        Name of the site.
    exercises : sequence of Path
        Folders that `exercise make` wrote, to be carried along.

    Raises
    ------
    LibraryError
        There is something else in the folder, an exercise is not one, or the folder cannot be written. Until a site is whole
        its first page says that it is not, whether the writing failed or was killed.
    """
    out = Path(out)
    _may_write(out, exercises)
    known = knowledge.read(store.folder)
    ones = [one for one in catalogue.every(store) if one.entry.publishable]
    kept_back = tuple(sorted(one.id for one in catalogue.every(store) if not one.entry.publishable))
    with explained(out, "the site"):
        _write(store, out, ones, known, title, exercises, progress)
    return Published(entries=len(ones), kept_back=kept_back)


def _write(
    store: Store,
    out: Path,
    ones: Sequence[Kept],
    known: knowledge.Knowledge,
    title: str,
    exercises: Sequence[Path],
    progress: Progress,
) -> None:
    """Every file of the site; the first page last, and meanwhile one that says so."""
    nav = (*NAV, *((("Exercises", "exercises.html"),) if exercises else ()))
    files.put(out / MARKER, b"This folder was written by `specimeter library publish`, which may write it again.\n")
    files.put(out / "index.html", html(_unfinished(title)))
    for old in FOLDERS:
        if (out / old).exists():
            shutil.rmtree(out / old)
    for name in ASSETS:
        files.put(out / "assets" / name, asset(name))
    files.put(out / "assets" / "data.js", data_script("specimeterLibrary", {"entries": [_compact(one) for one in ones]}))
    files.put(out / "assets" / "knowledge.js", data_script("specimeterKnowledge", explain.for_scripts(known)))
    for number, one in enumerate(ones, start=1):
        files.put(out / _picture(one), store.picture(one.sha256, one.suffix).read_bytes())
        files.put(out / _thumb(one), store.thumb(one.sha256).read_bytes())
        files.put(out / "entries" / f"{one.id}.html", html(_entry_page(one, known, title, nav)))
        if number % 100 == 0:
            progress(f"{number} of {len(ones)} pictures")

    def sheet(main: Element, wanted: str) -> int:
        fits = [one for one in ones if wanted in one.entry.kinds or one.entry.test == wanted]
        flawed = [one for one in fits if not one.entry.clean]
        _contact(main, flawed[:SHEET], "../")
        tests = {one.entry.test for one in flawed} | ({wanted} if wanted in TESTS else set())
        clean = [one for one in ones if one.entry.clean and one.entry.test in tests][:4]
        if flawed and clean:
            add(main, "h3", "Clean faces, to compare")
        if clean:
            _contact(main, clean, "../")
        return len(flawed) or len(clean)

    numbers = {kind: sum(kind in one.entry.kinds for one in ones) for kind in KINDS}
    files.put(out / "kinds.html", html(explain.kinds_page(known, title, nav, numbers)))
    for term in known.terms.values():
        files.put(out / "kinds" / f"{term.id}.html", html(explain.kind_page(known, term, title, nav, sheet)))
    for test in known.tests.values():
        files.put(out / "tests" / f"{test.id}.html", html(explain.test_page(known, test, title, nav, sheet)))
    files.put(out / "which-test.html", html(explain.which_page(known, title, nav)))
    if exercises:
        _exercises(out, exercises, title, nav)
    files.put(out / "index.html", html(_index(ones, known, title, nav)))


def _may_write(out: Path, exercises: Sequence[Path]) -> None:
    """Everything that could be refused is, before an older site is touched."""
    if out.exists() and not out.is_dir():
        raise LibraryError("this is a file", file=out, expected="a folder for the site", mend="choose another folder")
    if out.is_dir() and any(out.iterdir()) and not (out / MARKER).is_file():
        raise LibraryError(
            "there is something there already", file=out, expected="an empty folder, or a site", mend="choose another"
        )
    for folder in exercises:
        if not (folder / "exercise-title.txt").is_file():
            raise LibraryError(
                "this is not an exercise", file=folder, expected="a folder that `specimeter exercise make` wrote"
            )
        if folder.resolve().is_relative_to(out.resolve()):
            raise LibraryError(
                "the exercise lies in the site, which is written anew",
                file=folder,
                expected="a folder outside of it",
                mend="name the folder that `specimeter exercise make` wrote, or make it again elsewhere",
            )


def _unfinished(title: str) -> Element:
    page, main = new(title, title)
    add(main, "h1", "This site is not finished")
    add(
        main,
        "p",
        "It is being written, or its writing was broken off: then publish it again. Until it is done, pages may lack.",
    )
    return page


def _picture(one: Kept) -> str:
    return f"pictures/{one.sha256}{one.suffix}"


def _thumb(one: Kept) -> str:
    return f"thumbs/{one.sha256[:32]}.jpg"


def _about(one: Kept) -> str:
    test = (one.entry.test or "picture").replace("-", " ")
    longest = max((feature.length_mm for feature in one.entry.seen if feature.length_mm), default=None)
    return test + (f", longest {longest:.1f} mm" if longest else ", clean" if one.entry.clean else "")


def _compact(one: Kept) -> dict:
    """An entry as the search script needs it."""
    lengths = [
        [round(feature.length_mm, 3), feature.kind, *([feature.cause] if feature.cause else [])]
        for feature in one.entry.seen
        if feature.length_mm is not None
    ]
    return {
        "i": one.id,
        "n": one.entry.title,
        "a": _about(one),
        "u": _thumb(one),
        "w": facets.words_of(one.entry),
        "k": list(one.entry.kinds),
        "t": one.entry.test or "",
        "p": one.entry.process or "",
        "c": bool(one.entry.clean),
        "l": lengths,
    }


def _contact(main: Element, ones: Sequence[Kept], root: str) -> None:
    if not ones:
        return
    sheet = SubElement(main, "ul", {"class": "contact"})
    for one in ones:
        link = SubElement(SubElement(sheet, "li"), "a", href=f"{root}entries/{one.id}.html")
        SubElement(link, "img", src=root + _thumb(one), alt="", loading="lazy")
        add(link, "span", one.entry.title, **{"class": "name"})
        add(link, "span", _about(one), **{"class": "about"})


def _index(ones: Sequence[Kept], known: knowledge.Knowledge, title: str, nav: explain.Nav) -> Element:
    page, main = new(title, title, here="Pictures", nav=nav, scripts=("assets/data.js", "assets/search.js"))
    add(main, "h1", title)
    add(main, "p", f"{counted(len(ones), 'picture')} of opened weld specimens.", **{"class": "lead quiet"})
    form = SubElement(main, "form", {"class": "search", "role": "search"})
    label = add(form, "label", "Search", **{"class": "words"})
    SubElement(label, "input", name="words", type="search", autocomplete="off", placeholder="straight gap, side bend, 136 ...")
    processes = sorted({one.entry.process for one in ones if one.entry.process})
    used = {kind for one in ones for kind in one.entry.kinds}
    for name, says, options in (
        ("kind", "kind", [(kind, known.terms[kind].name) for kind in KINDS if kind in used]),
        ("test", "test", [(test, test.replace("-", " ")) for test in TESTS if any(one.entry.test == test for one in ones)]),
        ("process", "process", [(process, process) for process in processes]),
        ("clean", "findings", [("false", "with findings"), ("true", "clean")]),
    ):
        label = add(form, "label", says)
        select = SubElement(label, "select", name=name)
        add(select, "option", "any", value="")
        for value, text in options:
            add(select, "option", text, value=value)
    for name, says in (("least", "at least, mm"), ("most", "at most, mm")):
        label = add(form, "label", says)
        SubElement(label, "input", name=name, inputmode="decimal", autocomplete="off")
    add(main, "p", "", **{"class": "found", "aria-live": "polite"})
    SubElement(main, "ul", {"class": "contact"})
    add(main, "button", "Show more", **{"class": "more", "type": "button", "hidden": "hidden"})
    without = SubElement(main, "noscript")
    _contact(without, ones[:200], "")
    return page


def _entry_page(one: Kept, known: knowledge.Knowledge, title: str, nav: explain.Nav) -> Element:
    entry = one.entry
    page, main = new(entry.title, title, root="../", here="Pictures", nav=nav)
    add(main, "h1", entry.title)
    told = ", ".join(known.terms[kind].name for kind in entry.kinds) or (
        "nothing was found" if entry.clean else "no kind is named"
    )
    add(main, "p", told.capitalize() + ".", **{"class": "lead quiet"})
    if any(feature.outline_px for feature in entry.seen):
        SubElement(main, "input", {"type": "checkbox", "id": "outlines", "checked": "checked"})
        label = SubElement(main, "label", {"for": "outlines", "class": "switch"})
        label.text = "show the outlines"
    box = framing.frame(entry, one.width_px, one.height_px)
    frame = SubElement(main, "div", {"class": "view"})
    words_ = f"Photograph: {entry.title}. {told}."
    svg = framing.view("../" + _picture(one), words_, box, (one.width_px, one.height_px), entry.mm_per_px)
    frame.append(svg)
    group = SubElement(svg, "g", {"class": "outlines", "data-unit": f"{max(box[2:]) / 34:.2f}"})
    for feature in entry.seen:
        if feature.outline_px:
            framing.outline(group, feature.outline_px, tag=feature.id)
    link = add(SubElement(main, "p", {"class": "note"}), "a", "The whole photograph", href="../" + _picture(one))
    link.tail = ". The bar's length holds at the middle of the face." if entry.mm_per_px else ""
    if entry.seen:
        add(main, "h2", "What is there")
        rows = []
        for feature in entry.seen:
            kind = Element("a", href=f"../kinds/{feature.kind}.html")
            kind.text = known.terms[feature.kind].name
            cause = known.terms[feature.cause].name if feature.cause else ""
            length = plus_minus(feature.length_mm, feature.U_length_mm) or "–"
            width = plus_minus(feature.width_mm, feature.U_width_mm) or "–"
            rows.append([feature.id, kind, cause, length, width, feature.why or ""])
        table(
            main,
            "Sizes in mm, with U (k = 2) where it is known",
            ["", "kind", "likely cause", "length", "width", "how to know it"],
            rows,
        )
    add(main, "h2", "About the picture")
    facts = SubElement(main, "dl")
    for name, value in (
        ("test", entry.test and entry.test.replace("-", " ")),
        ("joint", entry.joint),
        ("process", entry.process),
        ("material", entry.material),
        ("thickness", entry.thickness_mm and f"{entry.thickness_mm:g} mm"),
        ("outcome", entry.outcome and words.OUTCOMES[entry.outcome]),
        ("how the truth is known", entry.truth),
        ("notes", entry.notes),
        ("tags", ", ".join(entry.tags)),
        ("author", entry.author),
        ("licence", entry.licence),
        ("permission", entry.permission),
        ("picture, SHA-256", one.sha256),
    ):
        if value:
            add(facts, "dt", name)
            add(facts, "dd", value)
    return page


def _exercises(out: Path, exercises: Sequence[Path], title: str, nav: explain.Nav) -> None:
    page, main = new("Exercises", title, here="Exercises", nav=nav)
    add(main, "h1", "Exercises")
    items = SubElement(main, "ul", {"class": "kinds"})
    for folder in exercises:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                files.put(out / "exercises" / folder.name / path.relative_to(folder), path.read_bytes())
        name = (folder / "exercise-title.txt").read_text(encoding="utf-8").strip()
        add(SubElement(items, "li"), "a", name, href=f"exercises/{folder.name}/index.html")
    files.put(out / "exercises.html", html(page))
