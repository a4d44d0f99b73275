"""The report as one HTML file that needs nothing beside it: picture and style inside, no script, readable in light and dark."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from importlib.resources import files
from typing import Any
from xml.etree.ElementTree import Element, SubElement, tostring

from PIL import Image

from specimeter.record.model import Record
from specimeter.report.content import content
from specimeter.report.house import PLAIN, House

_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def render(record: Record, overlays: Sequence[Image.Image], house: House = PLAIN, said: dict[str, Any] | None = None) -> bytes:
    """The report of `record` with the overlay of each of its photographs, as UTF-8 HTML; `said`: its content, if at hand."""
    return page(content(record, house) if said is None else said, overlays, house)


def page(report: dict[str, Any], overlays: Sequence[Image.Image], house: House = PLAIN) -> bytes:
    """A report's content (see `content.content`) as UTF-8 HTML; its pictures are called by their number.

    Text reaches the page only as the text or an attribute of an element, so it is escaped by construction.
    """
    root = Element("html", lang=report["language"])
    head = SubElement(root, "head")
    SubElement(head, "meta", charset="utf-8")
    SubElement(head, "meta", {"http-equiv": "Content-Security-Policy", "content": _POLICY})
    SubElement(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    _add(head, "title", f"{report['id']}: {report['title']}")
    _add(head, "style", (files("specimeter.report") / "report.css").read_text(encoding="utf-8"))
    body = SubElement(root, "body")
    if report["mark"]:
        _add(body, "p", report["mark"], **{"class": "mark", "role": "note"})
    _head(SubElement(body, "header"), report, house)
    main = SubElement(body, "main")
    for section in report["sections"]:
        part = SubElement(main, "section")
        _add(part, "h2", section["heading"])
        for block in section["blocks"]:
            _BLOCKS[block["is"]](part, block, overlays)
    foot = report["foot"]
    recorded = f"{foot['recorded']} {report['date']}"
    _add(
        SubElement(body, "footer"),
        "p",
        f"specimeter {report['version']}, {recorded}, {foot['file']} SHA-256 {report['hash']}. {foot['end']}.",
    )
    return b"<!doctype html>\n" + tostring(root, encoding="utf-8", method="html") + b"\n"


def _head(header: Element, report: dict[str, Any], house: House) -> None:
    if report["laboratory"] or house.logo is not None:
        letterhead = SubElement(header, "div", {"class": "letterhead"})
        if house.logo is not None:
            SubElement(letterhead, "img", src="data:image/png;base64," + base64.b64encode(house.logo).decode("ascii"), alt="")
        lines = SubElement(letterhead, "div")
        for line in report["laboratory"]:
            _add(lines, "p", line)
    _add(header, "p", report["title"], **{"class": "kind"})
    _add(header, "h1", report["id"])
    if report.get("issued"):
        _add(header, "p", report["issued"], **{"class": "kind"})
    finding = SubElement(header, "div", {"class": f"finding {report['outcome']}"})
    _add(finding, "p", report["word"], **{"class": "word"})
    _add(finding, "p", report["because"])
    if report["points"]:
        _points(finding, {"items": report["points"]}, ())
    _add(finding, "p", report["decides"], **{"class": "decides"})


def _text(part: Element, block: dict[str, Any], overlays: Sequence[Image.Image]) -> None:
    _add(part, "p", block["text"])


def _points(part: Element, block: dict[str, Any], overlays: Sequence[Image.Image]) -> None:
    points = SubElement(part, "ul")
    for item in block["items"]:
        _add(points, "li", item)


def _facts(part: Element, block: dict[str, Any], overlays: Sequence[Image.Image]) -> None:
    table = SubElement(part, "table", {"class": "facts"})
    if block["caption"]:
        _add(table, "caption", block["caption"])
    body = SubElement(table, "tbody")
    for name, value in block["rows"]:
        row = SubElement(body, "tr")
        _add(row, "th", name, scope="row")
        _add(row, "td", value)


def _table(part: Element, block: dict[str, Any], overlays: Sequence[Image.Image]) -> None:
    around = SubElement(part, "div", {"class": "wide short" if len(block["rows"]) <= 12 else "wide"})
    table = SubElement(around, "table")
    _add(table, "caption", block["caption"])
    look = {index: {"class": "number"} for index in block["numbers"]} | {block["wide"]: {"class": "running"}}
    heads = SubElement(SubElement(table, "thead"), "tr")
    for index, head in enumerate(block["heads"]):
        _add(heads, "th", head, scope="col", **look.get(index, {}))
    body = SubElement(table, "tbody")
    for cells in block["rows"]:
        row = SubElement(body, "tr")
        _add(row, "th", cells[0], scope="row")
        for index, cell in enumerate(cells[1:], start=1):
            _add(row, "td", cell, **look.get(index, {}))


def _picture(part: Element, block: dict[str, Any], overlays: Sequence[Image.Image]) -> None:
    overlay = overlays[block["number"]]
    jpeg = io.BytesIO()
    overlay.save(jpeg, format="JPEG", quality=88, subsampling=0, optimize=True)
    figure = SubElement(part, "figure")
    SubElement(
        figure,
        "img",
        src="data:image/jpeg;base64," + base64.b64encode(jpeg.getvalue()).decode("ascii"),
        alt=block["alt"],
        width=str(overlay.width),
        height=str(overlay.height),
    )
    _add(figure, "figcaption", block["caption"])


_BLOCKS = {"text": _text, "points": _points, "facts": _facts, "table": _table, "picture": _picture}


def _add(parent: Element, tag: str, text: str, **attributes: str) -> Element:
    element = SubElement(parent, tag, attributes)
    element.text = text
    return element
