"""GeoJSON whose coordinates are pixels: polygons that any map or image program can lay over the picture."""

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

SAYS = "pixels [x, y], origin at the centre of the top-left pixel, y downwards; not longitude and latitude"
_OURS = ("cause", "length_mm", "U_length_mm", "width_mm", "U_width_mm", "at_corner", "why")


def dump(ones: Sequence[Kept], names: Mapping[int, str]) -> dict[str, Any]:
    """Entries as one collection (RFC 7946, but for the meaning of its coordinates); rings are closed and counter-clockwise.

    Each picture has one feature without a geometry that tells of the picture itself.
    """
    features: list[dict[str, Any]] = []
    for one in ones:
        told = {"picture": names[one.id], "width_px": one.width_px, "height_px": one.height_px}
        entry = one.entry.model_dump(mode="json", exclude_defaults=True, exclude={"seen", "readings", "area_px"})
        features.append({"type": "Feature", "geometry": None, "properties": {**told, "entry": entry}})
        for feature in one.entry.seen:
            if len(feature.outline_px) < 3:
                continue
            ring = np.asarray(feature.outline_px, float)
            x, y = ring.T
            if x @ np.roll(y, -1) - y @ np.roll(x, -1) < 0:
                ring = ring[::-1]
            geometry = {"type": "Polygon", "coordinates": [[*ring.tolist(), ring[0].tolist()]]}
            own = feature.model_dump(mode="json", exclude_none=True, include={*_OURS})
            properties = {"picture": names[one.id], "id": feature.id, "kind": feature.kind, **own}
            features.append({"type": "Feature", "geometry": geometry, "properties": properties})
    return {"type": "FeatureCollection", "coordinates": SAYS, "features": features}


def load(path: str | Path, common: Mapping[str, Any]) -> Iterator[tuple[Path, Entry]]:
    """The pictures that a collection names, with entries of its polygons."""
    path = Path(path)
    with foreign(path, "a collection of features"):
        features = json.loads(content(path))["features"]
        pictures: dict[str, dict[str, Any]] = {}
        for feature in features:
            told = dict(feature["properties"])
            own = pictures.setdefault(told.pop("picture"), {"seen": []})
            if feature["geometry"] is None:
                own |= told.get("entry") or {}
                continue
            kind = told.get("kind") if told.get("kind") in KINDS else "other"
            for number, ring in enumerate(_rings(feature["geometry"])):
                id_ = f"{told.get('id', len(own['seen']) + 1)}" + (f".{number}" if number else "")
                extra = {name: told[name] for name in _OURS if name in told}
                own["seen"].append({"id": id_, "kind": kind, "outline_px": ring[:-1], **extra})
        for name, own in pictures.items():
            yield inside(path, name), made({"title": Path(name).stem, **own, **common}, file=path)


def _rings(geometry: Mapping[str, Any]) -> list[list[list[float]]]:
    """The outer rings of a polygon, or of several; holes are not ours."""
    if geometry["type"] == "Polygon":
        return [geometry["coordinates"][0]]
    if geometry["type"] == "MultiPolygon":
        return [polygon[0] for polygon in geometry["coordinates"]]
    raise LibraryError(f"a geometry is a {geometry['type']}", expected="Polygon or MultiPolygon")
