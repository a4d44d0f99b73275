"""One photograph's part in a judgement, and each imperfection counted once over all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any

from specimeter.measure.feature import Feature
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

LARGER = ("length_mm", "width_mm", "area_mm2", "along_weld_mm", "through_wall_mm", "depth_mm")
OWN = ("id", "photo", "outline_px", "tips_px", "u_edge_px", "u_tip_px", "nearest_mm", "U_nearest_mm")

Links = Mapping[str, str]  # a feature's id -> the id of another picture of the same imperfection


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """What one photograph shows of the specimen, and how; `sheet` as it holds for that photograph."""

    photo: str
    sheet: Sheet
    area: ExaminedArea | None
    smallest_resolvable_mm: float | None
    scale: Scale | None
    surface: Surface | None = None
    area_mm2: float | None = None
    U_area_mm2: float | None = None


def imperfections(features: Sequence[Feature], links: Links) -> dict[str, str]:
    """For each feature's id the name of the imperfection that it is a picture of: linked ones have the same."""
    names = {}
    for feature in features:
        head, seen = feature.id, set()
        while head in links and head not in seen:
            seen.add(head)
            head = links[head]
        names[feature.id] = head if head not in seen else min(seen)
    return names


def counted_once(features: Sequence[Feature], links: Links) -> list[Feature]:
    """Features of which each imperfection is one: linked ones become one, each size the larger that is known.

    Its id is that of the linked feature which is longest; the clear distance is the smaller one; it is at a corner if it is
    in one of the photographs. Rejected ones are left as they are.
    """
    return [one for group in _groups(features, links) for one in _one_of(group)]


def on_face(features: Sequence[Feature], links: Links, photo: str) -> list[Feature]:
    """The features of one photograph, each imperfection once and at its larger size over all photographs."""
    found = []
    for group in _groups(features, links):
        own = [feature for feature in group if feature.photo == photo]
        present = [feature for feature in own if feature.status != "rejected"]
        if present and len(group) > 1:
            shown = max(present, key=lambda feature: feature.length_mm or 0.0)
            found.append(replace(_one_of(group)[0], **{name: getattr(shown, name) for name in OWN}))
            found += [feature for feature in own if feature.status == "rejected"]
        else:
            found += own
    return found


def _groups(features: Sequence[Feature], links: Links) -> list[list[Feature]]:
    names = imperfections(features, links)
    groups: dict[str, list[Feature]] = {}
    for feature in features:
        groups.setdefault(names[feature.id], []).append(feature)
    return list(groups.values())


def _one_of(group: list[Feature]) -> list[Feature]:
    """One feature for several linked ones, those that were rejected left as they are and last."""
    rejected = [feature for feature in group if feature.status == "rejected"]
    present = [feature for feature in group if feature.status != "rejected"]
    if len(present) < 2:
        return [*present, *rejected]
    largest = max(present, key=lambda feature: feature.length_mm or 0.0)
    known: dict[str, Any] = {}
    for name in (*LARGER, "nearest_mm"):
        having = [feature for feature in present if getattr(feature, name) is not None]
        if having:
            source = (min if name == "nearest_mm" else max)(having, key=attrgetter(name))
            known |= {name: getattr(source, name), f"U_{name}": getattr(source, f"U_{name}")}
            if name == "length_mm":
                known["budget"] = source.budget
    seen, longer = _seen_of(present, known)
    known |= {part: None for name in longer for part in (name, f"U_{name}")}
    corners = [feature.at_corner for feature in present]
    known["at_corner"] = True if True in corners else None if None in corners else False
    missing = {name: why for name, why in largest.missing.items() if known.get(name) is None} | longer
    return [replace(largest, **known, missing=missing, seen=seen), *rejected]


def _seen_of(present: Sequence[Feature], known: Mapping[str, Any]) -> tuple[dict[str, tuple[float, float]], dict[str, str]]:
    """Of pictures of one imperfection the largest seen parts of those that are cut off, where no picture shows the whole.

    The second mapping names the sizes that one picture seems to show whole while another, cut off, shows more of it: the
    imperfection goes on there, so that its size is not had either.
    """
    seen, longer = {}, {}
    for name in {name for feature in present for name in feature.seen}:
        one = max((feature for feature in present if name in feature.seen), key=lambda feature: feature.seen[name][0])
        (value, U), whole = one.seen[name], known.get(name)
        if whole is None:
            seen[name] = (value, U)
        elif value - U > whole + (known.get(f"U_{name}") or 0.0):
            seen[name] = (value, U)
            longer[name] = f"{one.id} shows a longer part of the same imperfection and is cut off"
    return seen, longer
