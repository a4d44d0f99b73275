"""COCO JSON: pictures with polygons, as many programs read them. There (0, 0) is a picture's corner, here a pixel's centre."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from specimeter.errors import LibraryError
from specimeter.library.catalogue import Kept
from specimeter.library.entry import Entry, made
from specimeter.library.exchange.place import content, foreign, inside
from specimeter.sheet import KINDS

CORNER = 0.5
_OURS = ("cause", "length_mm", "U_length_mm", "width_mm", "U_width_mm", "at_corner", "why")
_FIELDS = (
    "test",
    "joint",
    "process",
    "material",
    "thickness_mm",
    "author",
    "licence",
    "permission",
    "truth",
    "quality",
    "outcome",
    "clean",
    "coupon",
    "specimen",
    "mm_per_px",
)


def dump(ones: Sequence[Kept], names: Mapping[int, str], split: Mapping[int, str] | None = None) -> dict[str, Any]:
    """Entries as a COCO data set; `names` are their pictures' files. What COCO has no word for stands under ``specimeter``."""
    licences = sorted({one.entry.licence for one in ones if one.entry.licence})
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for one in ones:
        extra = one.entry.model_dump(mode="json", exclude_defaults=True, include={*_FIELDS, "tags", "notes"})
        image = {"id": one.id, "file_name": names[one.id], "width": one.width_px, "height": one.height_px}
        image |= {"license": licences.index(one.entry.licence) + 1 if one.entry.licence else 0, "date_captured": one.added}
        images.append({**image, "split": (split or {}).get(one.id, ""), "title": one.entry.title, "specimeter": extra})
        for feature in one.entry.seen:
            if len(feature.outline_px) < 3:
                continue
            ring = np.asarray(feature.outline_px, float) + CORNER
            low, high = ring.min(0), ring.max(0)
            x, y = ring.T
            area = abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": one.id,
                    "category_id": KINDS.index(feature.kind) + 1,
                    "segmentation": [np.round(ring, 4).ravel().tolist()],
                    "area": round(area, 4),
                    "bbox": np.round([*low, *(high - low)], 4).tolist(),
                    "iscrowd": 0,
                    "specimeter": {"id": feature.id, **feature.model_dump(mode="json", exclude_none=True, include={*_OURS})},
                }
            )
    return {
        "info": {"description": "Weld specimen library", "version": "1"},
        "licenses": [{"id": number, "name": name, "url": ""} for number, name in enumerate(licences, start=1)],
        "categories": [
            {"id": number, "name": kind, "supercategory": "imperfection"} for number, kind in enumerate(KINDS, start=1)
        ],
        "images": images,
        "annotations": annotations,
    }


def load(path: str | Path, common: Mapping[str, Any]) -> Iterator[tuple[Path, Entry]]:
    """The pictures of a COCO file with entries of their polygons; a category that is no kind of ours becomes ``other``.

    Only polygons are read; a mask that is run-length coded is refused. Several polygons of one thing become several features.
    """
    path = Path(path)
    with foreign(path, "a COCO data set"):
        data = json.loads(content(path))
        kinds = {one["id"]: one["name"] for one in data["categories"]}
        licences = {one["id"]: one["name"] for one in data.get("licenses", [])}
        by_image: dict[Any, list[dict]] = {}
        for annotation in data["annotations"]:
            by_image.setdefault(annotation["image_id"], []).append(annotation)
        for image in data["images"]:
            picture = inside(path, image["file_name"])
            seen = [one for annotation in by_image.get(image["id"], []) for one in _seen(annotation, kinds, path)]
            fields = {"title": image.get("title") or picture.stem, "licence": licences.get(image.get("license"))}
            fields |= image.get("specimeter") or {}
            told = {name: value for name, value in {**fields, **common}.items() if value is not None}
            yield picture, made({**told, "seen": seen}, file=path)


def _seen(annotation: Mapping[str, Any], kinds: Mapping[Any, str], path: Path) -> Iterator[dict[str, Any]]:
    if not isinstance(annotation.get("segmentation"), list):
        raise LibraryError("a mask is run-length coded", file=path, expected="polygons", mend="export it as polygons")
    kind = kinds.get(annotation["category_id"], "other")
    own = annotation.get("specimeter") or {}
    for number, flat in enumerate(annotation["segmentation"]):
        ring = np.round(np.asarray(flat, float).reshape(-1, 2) - CORNER, 4)
        told = {name: own[name] for name in _OURS if name in own}
        id_ = own.get("id") or f"a{annotation['id']}" + (f".{number}" if number else "")
        yield {"id": str(id_), "kind": kind if kind in KINDS else "other", "outline_px": ring.tolist(), **told}
