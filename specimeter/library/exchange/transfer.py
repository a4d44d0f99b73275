"""Whole exports and imports: pictures upright beside the annotations of the form that was asked for."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from specimeter import files, photo
from specimeter.errors import LibraryError
from specimeter.library.catalogue import Kept
from specimeter.library.entry import Entry, made
from specimeter.library.exchange import bag, coco, geojson, masks
from specimeter.library.exchange.place import content, foreign, inside
from specimeter.library.exchange.split import split
from specimeter.library.store import Store, explained
from specimeter.rounding import counted

FORMS = ("coco", "masks", "geojson", "bag")


def export(store: Store, ones: Sequence[Kept], out: str | Path, *, form: str, validation: float = 0.0, seed: int = 1) -> int:
    """Write entries into a new or empty folder. Returns how many.

    Parameters
    ----------
    form : str
        ``coco`` (annotations.json; with a split also train.json and validation.json), ``masks`` (masks.csv, masks/),
        ``geojson`` (features.geojson), or ``bag`` (all three and entries.json, with checksums). Pictures lie in pictures/.
    validation : float
        Share set apart for validation, pictures of one coupon together; 0: no split.
    """
    out = Path(out)
    if form not in FORMS:
        raise LibraryError(f'unknown form "{form}"', field="form", expected=", ".join(FORMS))
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise LibraryError(
            "there is something there already", file=out, expected="a new or an empty folder", mend="choose another"
        )
    ones = sorted(ones, key=lambda one: one.id)
    parts = split(store, ones, validation=validation, seed=seed) if validation and ones else None
    contents = _content(store, ones, form, parts)
    with explained(out, "the export"), files.new_folder(out):
        if form == "bag":
            told = f"{counted(len(ones), 'picture')} of weld specimens with outlines"
            bag.write(out, contents, {"External-Description": told})
            return len(ones)
        for name, data in contents:
            files.put(out / name, data)
    return len(ones)


def _content(store: Store, ones: Sequence[Kept], form: str, parts: Mapping[int, str] | None) -> Iterator[tuple[str, bytes]]:
    """Every file of an export, one at a time: a library may be larger than the memory. Lists come after what they list."""
    names = {}
    for one in ones:
        names[one.id], data = upright(store, one)
        yield names[one.id], data
    if form in ("coco", "bag"):
        for part in ("train", "validation") if parts else ():
            yield f"{part}.json", _json(coco.dump([one for one in ones if parts and parts[one.id] == part], names, parts))
        yield "annotations.json", _json(coco.dump(ones, names, parts))
    if form in ("masks", "bag"):
        for one in ones:
            if one.entry.seen:
                yield masks.mask_name(names[one.id]), masks.png(masks.mask(one))
        yield "masks.csv", masks.table(ones, names)
    if form in ("geojson", "bag"):
        yield "features.geojson", _json(geojson.dump(ones, names))
    if form == "bag":
        whole = [{"picture": names[one.id], "entry": one.entry.model_dump(mode="json", exclude_defaults=True)} for one in ones]
        yield "entries.json", _json({"format": "specimeter-entries", "version": 1, "entries": whole})


def pairs(path: str | Path, common: Mapping[str, Any]) -> Iterator[tuple[Path, Entry]]:
    """Pictures with entries from an export: a bag's folder, annotations.json, features.geojson or masks.csv."""
    path = Path(path)
    if path.is_dir():
        bag.check(path)
        yield from _entries(path / "data" / "entries.json", common)
    elif path.suffix == ".geojson":
        yield from geojson.load(path, common)
    elif path.suffix == ".csv":
        yield from masks.load(path, common)
    else:
        yield from coco.load(path, common)


def upright(store: Store, one: Kept) -> tuple[str, bytes]:
    """A picture as others will read it: one that relies on its orientation entry is turned, and becomes a PNG."""
    path = store.picture(one.sha256, one.suffix)
    data = path.read_bytes()
    if one.suffix == ".jpg" and b"Exif\0\0" in data[:64]:
        done, coded = cv2.imencode(".png", np.ascontiguousarray(photo.read(path).rgb[..., ::-1]))
        if not done:
            raise LibraryError("the picture could not be written as PNG", file=path)
        return f"pictures/{one.sha256}.png", coded.tobytes()
    return f"pictures/{one.sha256}{one.suffix}", data


def _entries(path: Path, common: Mapping[str, Any]) -> Iterator[tuple[Path, Entry]]:
    with foreign(path, "the list of a library's entries"):
        whole = json.loads(content(path))["entries"]
        for one in whole:
            yield inside(path, one["picture"]), made({**one["entry"], **common}, file=path)


def _json(data: Any) -> bytes:
    return (json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n").encode()
