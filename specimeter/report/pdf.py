"""The report as PDF/A-2b: the same content as the HTML, set by Typst with the fonts that ship with it."""

from __future__ import annotations

import io
import json
import re
import tempfile
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst
from PIL import Image

from specimeter.files import write
from specimeter.record.model import Record
from specimeter.report.content import content
from specimeter.report.house import PLAIN, House

STANDARD = "a-2b"
_LONG = re.compile(r"[^\s\u200b]{25,}")  # a run without a place to break the line
# surely in the shipped fonts
_COMMON = frozenset(map(chr, [*range(0x20, 0x7F), *range(0xA0, 0x180)])) - {"\u00ad"} | set("–—…×±≤≥≈∞−√„“”‘’")
_PROBE = b"""#set page(width: auto, height: auto)
#set text(font: ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"))
#sys.inputs.text"""


def render(record: Record, overlays: Sequence[Image.Image], house: House = PLAIN, said: dict[str, Any] | None = None) -> bytes:
    """The report of `record` with the overlay of each photograph, as PDF/A-2b; the same bytes for the same record.

    `said`: its content, if at hand.
    """
    return page(content(record, house) if said is None else said, overlays, house, when=_when(record))


def page(report: dict[str, Any], overlays: Sequence[Image.Image], house: House = PLAIN, *, when: datetime) -> bytes:
    """A report's content (see `content.content`) as PDF/A-2b; its pictures are called by their number.

    A character that no font at hand can show is written as its code point, ``[U+4E2D]``; fonts of the system are
    asked only for characters that the shipped fonts lack.
    """
    report = dict(report)
    report["short"] = report["id"] if len(report["id"]) <= 28 else report["id"][:27] + "…"
    letters = set(json.dumps(report, ensure_ascii=False)) - _COMMON
    shipped = _unshown(letters, shipped_only=True)
    lost = _unshown(shipped, shipped_only=False)
    report = _each_text(report, lambda text: _breakable(_spelt(text, lost)))
    report["aspects"] = [overlay.width / overlay.height for overlay in overlays]
    with tempfile.TemporaryDirectory(prefix="specimeter-") as folder:
        for number, overlay in enumerate(overlays):
            jpeg = io.BytesIO()
            overlay.save(jpeg, format="JPEG", quality=90, subsampling=0)
            write(Path(folder) / f"overlay-{number}.jpg", jpeg.getvalue())
        if house.logo is not None:
            write(Path(folder) / "logo.png", house.logo)
        return _compile(
            (files("specimeter.report") / "report.typ").read_bytes(),
            {"report": json.dumps(report, ensure_ascii=False)},
            shipped_only=not shipped - lost,
            root=folder,
            when=when.replace(microsecond=0),
        )


def _compile(
    source: bytes, inputs: dict[str, str], *, shipped_only: bool, root: str | None = None, when: datetime | None = None
) -> bytes:
    return typst.compile(  # type: ignore[call-overload]
        source,
        root=root,
        format="pdf",
        sys_inputs=inputs,
        ignore_system_fonts=shipped_only,
        pdf_standards=STANDARD,
        timestamp=when,
    )


def _unshown(letters: Iterable[str], *, shipped_only: bool) -> set[str]:
    """The characters among `letters` that no font shows; PDF/A forbids a page that asks for one."""
    letters = sorted(letters)
    if not letters:
        return set()
    try:
        _compile(_PROBE, {"text": " ".join(letters)}, shipped_only=shipped_only)
    except typst.TypstError:
        if len(letters) == 1:
            return set(letters)
        half = len(letters) // 2
        return _unshown(letters[:half], shipped_only=shipped_only) | _unshown(letters[half:], shipped_only=shipped_only)
    return set()


def _spelt(text: str, lost: set[str]) -> str:
    return "".join(f"[U+{ord(letter):04X}]" if letter in lost else letter for letter in text) if lost else text


def _breakable(text: str) -> str:
    """The text with invisible places to break the line in runs that would not fit a column; a hash has its own setting."""
    if re.fullmatch("[0-9a-f]{64}", text):
        return text
    return _LONG.sub(_broken, text)


def _broken(run: re.Match[str]) -> str:
    """After signs that join words where there are such; else every eight letters, with a hyphen if they are letters."""
    parts = re.findall(r"[^-_/.,;:]*[-_/.,;:]+|[^-_/.,;:]+", run.group())
    shy = "\N{SOFT HYPHEN}"
    split = [
        (shy if part.isalpha() else "\u200b").join(re.findall(".{1,8}", part)) if len(part) >= 25 else part for part in parts
    ]
    return "\u200b".join(split)


def _each_text(value: Any, change: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return change(value)
    if isinstance(value, dict):
        return {
            key: item if key in ("is", "hash", "outcome", "language") else _each_text(item, change)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [_each_text(item, change) for item in value]
    return value


def _when(record: Record) -> datetime:
    """The moment of recording, so that the same record gives the same file."""
    return datetime.fromisoformat(record.log[0].when).astimezone(UTC)
