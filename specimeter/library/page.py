"""A page of the published site: elements in, escaped HTML out; no page asks the network for anything."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from importlib.resources import files
from typing import Any
from xml.etree.ElementTree import Element, SubElement, tostring

POLICY = (
    "default-src 'none'; img-src 'self' file: data: blob:; style-src 'self' file:; script-src 'self' file:; "
    "base-uri 'none'; form-action 'none'"
)
ASSETS = ("site.css", "search.js", "which.js", "exercise.js", "exercise-marks.js", "exercise-score.js")
CAUTION = (
    "Pictures and limits here are for training. The authorised inspector and the governing code decide. "
    "Bending machines crush and throw fragments, etchants burn: guard the machine, wear eye protection, follow the safety "
    "data sheet."
)


def asset(name: str) -> bytes:
    """A file that every site carries."""
    return (files("specimeter.library") / "site" / name).read_bytes()


def new(
    title: str, site: str, *, root: str = "", here: str = "", scripts: Iterable[str] = (), nav: Sequence[tuple[str, str]] = ()
) -> tuple[Element, Element]:
    """A page with its head and foot; returns the whole and its ``main`` element.

    Parameters
    ----------
    title, site : str
        Name of the page, and of the library.
    root : str
        From the page's folder to the site's: empty or ``../``.
    here : str
        The entry of `nav` that this page belongs to.
    scripts : iterable of str
        Classic scripts, paths from the site's folder, in order.
    nav : sequence of (name, address)
        Links at the head of every page; addresses from the site's folder.
    """
    page = Element("html", lang="en")
    head = SubElement(page, "head")
    SubElement(head, "meta", charset="utf-8")
    SubElement(head, "meta", {"http-equiv": "Content-Security-Policy", "content": POLICY})
    SubElement(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    add(head, "title", f"{title} · {site}" if title != site else site)
    SubElement(head, "link", rel="stylesheet", href=f"{root}assets/site.css")
    body = SubElement(page, "body")
    add(body, "a", "Skip to the content", **{"class": "skip", "href": "#content"})
    top = SubElement(body, "header", {"class": "top"})
    inner = SubElement(top, "div", {"class": "inner"})
    if nav:
        add(inner, "a", site, **{"class": "site", "href": f"{root}index.html"})
        links = SubElement(inner, "nav", {"aria-label": "Site"})
        for name, address in nav:
            link = add(links, "a", name, href=root + address)
            if name == here:
                link.set("aria-current", "page")
    else:
        add(inner, "span", site, **{"class": "site"})
    main = SubElement(body, "main", id="content", tabindex="-1")
    foot = SubElement(body, "footer", {"class": "foot"})
    add(foot, "p", CAUTION)
    for script in scripts:
        SubElement(body, "script", src=root + script)
    return page, main


def add(parent: Element, tag: str, text: str = "", **attributes: str) -> Element:
    """A child element with its text; text is data and never markup."""
    element = SubElement(parent, tag, attributes)
    element.text = clean(text)
    return element


def clean(text: str) -> str:
    """Text without the characters that no HTML page may hold."""
    return "".join(
        one if one in "\n\t" or (one >= " " and one != "\x7f" and not "\ud800" <= one <= "\udfff") else "�" for one in text
    )


def table(parent: Element, caption: str, heads: Sequence[str], rows: Iterable[Sequence[Any]], look: str = "") -> Element:
    """A table with a caption; a cell is text or an element."""
    around = SubElement(parent, "div", {"class": "wide", "tabindex": "0", "role": "region", "aria-label": caption})
    whole = SubElement(around, "table", {"class": look} if look else {})
    add(whole, "caption", caption)
    row = SubElement(SubElement(whole, "thead"), "tr")
    for head in heads:
        add(row, "th", head, scope="col")
    body = SubElement(whole, "tbody")
    for cells in rows:
        row = SubElement(body, "tr")
        for index, cell in enumerate(cells):
            box = SubElement(row, "th", scope="row") if index == 0 else SubElement(row, "td")
            if isinstance(cell, str):
                box.text = clean(cell)
            else:
                box.append(cell)
    return whole


def data_script(name: str, value: Any) -> bytes:
    """A classic script that puts data where other scripts find it: ``window.NAME``."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
    return f"window.{name} = {text};\n".encode("ascii")


def html(page: Element) -> bytes:
    """The page as UTF-8."""
    return b"<!doctype html>\n" + tostring(page, encoding="utf-8", method="html") + b"\n"
