"""An agreement study as a page that needs nothing beside it, and as PDF/A-2b: two settings of the same sections."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import SubElement

import typst

from specimeter import __version__
from specimeter.files import write
from specimeter.library.page import add, clean, html, new, table
from specimeter.library.study import TITLE, Section


def as_html(sections: Sequence[Section], title: str = TITLE) -> bytes:
    """The study as one HTML page; its style lies beside it as ``assets/site.css``."""
    page, main = new(title, title)
    add(main, "h1", title)
    for section in sections:
        add(main, "h2", section.heading)
        for block in section.blocks:
            if block[0] == "text":
                add(main, "p", block[1])
            elif block[0] == "table":
                table(main, block[1], block[2], block[3])
            else:
                figure = SubElement(main, "figure")
                figure.append(block[1].root)
                add(figure, "figcaption", block[2])
    add(main, "p", f"specimeter {__version__}", **{"class": "note"})
    return html(page)


def as_pdf(sections: Sequence[Section], title: str = TITLE, *, when: datetime | None = None) -> bytes:
    """The study as PDF/A-2b, set by Typst with the fonts that ship with it; the same bytes for the same study and moment."""
    when = (when or datetime.now(UTC)).replace(microsecond=0)
    with tempfile.TemporaryDirectory(prefix="specimeter-") as folder:
        data, number = [], 0
        for section in sections:
            blocks: list[dict[str, Any]] = []
            for block in section.blocks:
                if block[0] == "text":
                    blocks.append({"is": "text", "text": _plain(block[1])})
                elif block[0] == "table":
                    rows = [[_plain(cell) for cell in row] for row in block[3]]
                    blocks.append({"is": "table", "caption": _plain(block[1]), "heads": block[2], "rows": rows})
                else:
                    number += 1
                    write(Path(folder) / f"plot-{number}.svg", block[1].alone())
                    blocks.append(
                        {
                            "is": "plot",
                            "file": f"plot-{number}.svg",
                            "alt": block[1].root.get("aria-label"),
                            "caption": block[2],
                        }
                    )
            data.append({"heading": section.heading, "blocks": blocks})
        told = {"title": _plain(title), "version": __version__, "date": when.date().isoformat(), "sections": data}
        return typst.compile(  # type: ignore[call-overload]
            (files("specimeter.library") / "study.typ").read_bytes(),
            root=folder,
            format="pdf",
            sys_inputs={"study": json.dumps(told, ensure_ascii=False)},
            pdf_standards="a-2b",
            timestamp=when,
        )


def _plain(text: str) -> str:
    """Text that the shipped fonts can show: what lies beyond Latin letters is written as its code point."""
    return "".join(letter if letter < "ɐ" or letter in "–—−±×√≤≥’“”" else f"[U+{ord(letter):04X}]" for letter in clean(text))
