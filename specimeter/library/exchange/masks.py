"""Label masks: one PNG for each picture in which every feature has its own value, and one CSV that says what each value is."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from skimage import measure

from specimeter.errors import LibraryError
from specimeter.library.catalogue import Kept
from specimeter.library.entry import Entry, made
from specimeter.library.exchange.place import content, foreign, inside
from specimeter.report import table as spreadsheet

COLUMNS = ("picture", "mask", "value", "id", "kind", "cause", "length_mm", "U_length_mm", "title", "test", "licence", "coupon")
_SHIFT = 4


def mask(one: Kept) -> np.ndarray:
    """Which feature each pixel belongs to: (H, W) uint16, 0 is none, else its place in the entry counted from 1.

    A pixel is inside if its centre is; features later in the entry lie over earlier ones.
    """
    label = np.zeros((one.height_px, one.width_px), np.uint16)
    for value, feature in enumerate(one.entry.seen, start=1):
        if len(feature.outline_px) < 3:
            continue
        ring = np.asarray(feature.outline_px, float)
        low = np.clip(np.floor(ring.min(0)).astype(int), 0, None)
        high = np.minimum(np.ceil(ring.max(0)).astype(int) + 1, [one.width_px, one.height_px])
        if (high <= low).any():
            continue
        inside = measure.grid_points_in_poly(tuple((high - low)[::-1]), ring[:, ::-1] - low[::-1])
        label[low[1] : high[1], low[0] : high[0]][inside] = value
    return label


def png(label: np.ndarray) -> bytes:
    """A mask as a PNG file of 16 bits."""
    done, data = cv2.imencode(".png", label)
    if not done:
        raise LibraryError("a mask could not be written as PNG")
    return data.tobytes()


def table(ones: Sequence[Kept], names: Mapping[int, str]) -> bytes:
    """The CSV: one line for each feature, one without a value for a picture without features; no cell is a formula."""
    lines = []
    for one in ones:
        entry = one.entry
        common = {"picture": names[one.id], "mask": mask_name(names[one.id]), "title": entry.title, "test": entry.test}
        common |= {"licence": entry.licence, "coupon": entry.coupon}
        for value, feature in enumerate(entry.seen, start=1):
            told = {"value": value, "id": feature.id, "kind": feature.kind, "cause": feature.cause}
            lines.append({**common, **told, "length_mm": feature.length_mm, "U_length_mm": feature.U_length_mm})
        if not entry.seen:
            lines.append({**common})
    return spreadsheet.csv(COLUMNS, [[line.get(name) for name in COLUMNS] for line in lines])


def mask_name(picture: str) -> str:
    """Where the mask of a picture lies."""
    return f"masks/{Path(picture).stem}.png"


def load(path: str | Path, common: Mapping[str, Any]) -> Iterator[tuple[Path, Entry]]:
    """The pictures of a CSV table with entries of the outlines in their masks, at the edges between pixels."""
    path = Path(path)
    with foreign(path, "a table of masks", ", ".join(COLUMNS)):
        rows = list(csv.DictReader(io.StringIO(content(path).decode("utf-8-sig"))))
        pictures: dict[str, list[dict[str, str]]] = {}
        for row in rows:
            pictures.setdefault(row["picture"], []).append(row)
        for name, own in pictures.items():
            values = [row for row in own if row.get("value")]
            seen = _outlines(path, own[0]["mask"], values) if values else []
            fields = {field: own[0].get(field) for field in ("title", "test", "licence", "coupon") if own[0].get(field)}
            yield inside(path, name), made({"title": Path(name).stem, **fields, **common, "seen": seen}, file=path)


def _outlines(path: Path, name: str, rows: Sequence[Mapping[str, str]]) -> list[dict[str, Any]]:
    place = inside(path, name)
    data = np.frombuffer(place.read_bytes(), np.uint8) if place.is_file() else None
    label = None if data is None else cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    if label is None or label.ndim != 2:
        raise LibraryError("a mask is missing or is no picture of one channel", file=path, field=name)
    seen = []
    for row in rows:
        there = np.pad(label == int(row["value"]), 1).astype(float)
        contours = measure.find_contours(there, 0.5)
        if not contours:
            continue
        ring = max(contours, key=len)[:-1, ::-1] - 1  # (row, col) of a padded mask -> [x, y]
        one: dict[str, Any] = {"id": row.get("id") or f"m{row['value']}", "kind": row["kind"], "outline_px": ring.tolist()}
        one |= {name: float(row[name]) for name in ("length_mm", "U_length_mm") if row.get(name)}
        one |= {"cause": row["cause"]} if row.get("cause") else {}
        seen.append(one)
    return seen
