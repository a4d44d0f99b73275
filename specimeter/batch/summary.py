"""What came of a batch: one table as CSV and XLSX, and a page with a thumbnail of each record."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from datetime import datetime
from importlib.resources import files as resources
from pathlib import Path
from typing import Any
from urllib.parse import quote
from xml.etree.ElementTree import Element, SubElement, tostring

from PIL import Image

from specimeter.errors import SpecimeterError
from specimeter.record import model
from specimeter.report import words
from specimeter.report.table import csv
from specimeter.report.workbook import workbook
from specimeter.rounding import counted, plus_minus

HEADS = (
    "photo", "specimen", "test", "status", "outcome", "review", "features", "longest_mm", "U_longest_mm", "mm_per_px", "reason",
    "record", "record_sha256", "seconds", "problem",
)  # fmt: skip
THUMB_PX = 360
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
_STYLE = """
.cards { display: grid; grid-template-columns: repeat(auto-fill, minmax(17rem, 1fr)); gap: 1.2rem; }
.cards { padding: 0; list-style: none; }
.cards li { margin: 0; padding: .8rem; background: var(--sheet); border: 1px solid var(--line); border-top: .3rem solid; }
.cards li { border-top-color: var(--tone); }
.cards img { width: 100%; height: 12rem; object-fit: cover; object-position: top; }
.cards p { margin: .3rem 0 0; } .cards .word { font-weight: 600; color: var(--tone); } .cards small { color: var(--quiet); }
a { color: inherit; } main, header { max-width: 80rem; } .failed { --tone: var(--exceeds); }
"""


def files(notes: Sequence[dict[str, Any]], out: Path, when: datetime) -> dict[str, bytes]:
    """The summary's files: name -> content; each record is read as it lies there now."""
    rows = [row(note, out) for note in notes]
    table = [[entry[name] for name in HEADS] for entry in rows]
    return {
        "summary.csv": csv(HEADS, table),
        "summary.xlsx": workbook({"batch": (HEADS, table)}, when=when),
        "index.html": index(rows, out),
    }


def row(note: dict[str, Any], out: Path) -> dict[str, Any]:
    """One line of the summary."""
    entry: dict[str, Any] = dict.fromkeys(HEADS)
    entry |= {name: note.get(name) for name in ("photo", "status", "record", "seconds", "problem")}
    if note.get("record") is None:
        return entry
    try:
        record = model.load(out / note["record"])
    except SpecimeterError as error:
        return entry | {"problem": str(error)}
    shown = [feature for feature in record.features if feature.status != "rejected"]
    longest = max(shown, key=lambda feature: feature.length_mm or 0.0, default=None)
    return entry | {
        "specimen": record.id,
        "test": record.sheet["specimen"].get("test"),
        "outcome": record.outcome,
        "review": record.review.state,
        "features": len(shown),
        "longest_mm": None if longest is None else longest.length_mm,
        "U_longest_mm": None if longest is None else longest.U_length_mm,
        "mm_per_px": record.scales[0].mm_per_px,
        "reason": record.reasons[0] if record.reasons else None,
        "record_sha256": model.sha256(record),
    }


def index(rows: Sequence[dict[str, Any]], out: Path) -> bytes:
    """A page of all records: thumbnail, outcome, longest feature, a link to the report; it needs nothing else to be read."""
    page = Element("html", lang="en")
    head = SubElement(page, "head")
    SubElement(head, "meta", charset="utf-8")
    SubElement(head, "meta", {"http-equiv": "Content-Security-Policy", "content": _POLICY})
    SubElement(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    SubElement(head, "title").text = counted(len(rows), "photograph")
    style = (resources("specimeter.report") / "report.css").read_text(encoding="utf-8")
    SubElement(head, "style").text = style + _STYLE
    body = SubElement(page, "body")
    if any(entry["review"] == "unreviewed" for entry in rows):
        SubElement(body, "p", {"class": "mark", "role": "note"}).text = words.UNREVIEWED
    header = SubElement(body, "header")
    SubElement(header, "h1").text = counted(len(rows), "photograph")
    counts: dict[str, int] = {}
    for entry in rows:
        reviewed = entry["review"] != "unreviewed"
        name = words.outcome(entry["outcome"], reviewed=reviewed) if entry["outcome"] else "Could not be measured"
        counts[name] = counts.get(name, 0) + 1
    SubElement(header, "p").text = "; ".join(f"{name}: {number}" for name, number in counts.items()) + "."
    SubElement(header, "p").text = f"{words.SAFETY} {words.DECIDES}"
    cards = SubElement(SubElement(body, "main"), "ul", {"class": "cards"})
    for entry in rows:
        _card(cards, entry, out)
    return b"<!doctype html>\n" + tostring(page, encoding="utf-8", method="html") + b"\n"


def _card(cards: Element, entry: dict[str, Any], out: Path) -> None:
    outcome = entry["outcome"]
    card = SubElement(cards, "li", {"class": outcome or "failed"})
    name = words.shown(str(entry["specimen"] or entry["photo"]))
    if outcome is None:
        SubElement(card, "p", {"class": "word"}).text = "Could not be measured"
        SubElement(card, "p").text = name
        SubElement(SubElement(card, "p"), "small").text = words.shown(str(entry["problem"] or "").split("\n")[0])
        return
    link = SubElement(card, "a", href=quote(f"{entry['record']}/report.html"))
    picture = out / entry["record"] / "overlay.png"
    if picture.is_file():
        SubElement(link, "img", src=_thumbnail(picture), alt=f"Overlay of {name}")
    SubElement(SubElement(card, "p"), "strong").text = name
    SubElement(card, "p", {"class": "word"}).text = words.outcome(outcome, reviewed=entry["review"] != "unreviewed")
    length = plus_minus(entry["longest_mm"], entry["U_longest_mm"])
    found = counted(entry["features"], "feature") + (f", the longest {length} mm" if length else "")
    SubElement(SubElement(card, "p"), "small").text = f"{found}; {entry['review']}; {words.shown(str(entry['photo']))}"


def _thumbnail(file: Path) -> str:
    with Image.open(file, formats=("PNG",)) as picture:
        small = picture.convert("RGB")
    small.thumbnail((THUMB_PX, THUMB_PX), Image.Resampling.LANCZOS)
    jpeg = io.BytesIO()
    small.save(jpeg, format="JPEG", quality=80, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(jpeg.getvalue()).decode("ascii")
