"""What a scale and a surface rest on, as far as a reader can judge it; all that was found stands in ``record.json``.

Keys that neither table names are the finders' own figures: they serve to recompute, and say nothing to who reads a report.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from specimeter.report import words
from specimeter.report.language import Said
from specimeter.rounding import figures, plus_minus

_Told = Callable[[Any, Mapping[str, Any]], str]


def _number(unit: str, digits: int = 4) -> _Told:
    return lambda value, evidence: f"{figures(value, digits)} {unit}".rstrip()


def _entered(value: Any, evidence: Mapping[str, Any]) -> str:
    return words.entered(value)


def _own(value: Any, evidence: Mapping[str, Any]) -> str:
    """The program's own words, which have their translation."""
    return str(value)


def _lens(value: float, evidence: Mapping[str, Any]) -> str:
    u_rel = evidence.get("u_lens_over_marker_rel")
    return f"{plus_minus(value, u_rel and 2 * u_rel * value)} mm" + (" (k = 2)" if u_rel else "")


def _used(dropped: str) -> _Told:
    """How many were used, and how many set aside as odd."""
    return lambda value, evidence: f"{value}, {evidence[dropped]} more set aside" if evidence.get(dropped) else f"{value}"


def _enlarged(value: float, evidence: Mapping[str, Any]) -> str:
    return "" if value <= 1.005 else f"{figures(value)} times"


def _edges(value: list[Mapping[str, Any]], evidence: Mapping[str, Any]) -> str:
    return ", ".join(dict.fromkeys(f"{words.entered(edge['division_mm'])} mm" for edge in value))


def _share(value: float, evidence: Mapping[str, Any]) -> str:
    return f"{100 * value:.0f} %"


SCALE: dict[str, tuple[str, _Told]] = {
    "card": ("card", _own),
    "edges": ("divisions of the rule", _edges),
    "marks": ("marks of the rule", _entered),
    "edge_points": ("places on the squares' edges", _used("edge_points_dropped")),
    "strip_marks": ("millimetre marks of the strip", _entered),
    "residual_rms_px": ("they miss the fit by, root mean square", _number("px", 2)),
    "inflation": ("uncertainty enlarged to match", _enlarged),
    "from_px": ("known length from", _entered),
    "to_px": ("known length to", _entered),
    "length_mm": ("known length", _number("mm")),
    "length_px": ("known length in the picture", _number("px")),
    "lens_over_marker_mm": ("lens over the marker", _lens),
    "distance_from": ("distance by", _own),
    "focal_35mm_mm": ("focal length, 35 mm equivalent", _number("mm", 3)),
    "lens_profile": ("lens profile", _entered),
    "print_scale": ("printed size over drawn size", _number("")),
    "stored_in": ("resolution stored in", _entered),
    "dots_per_inch": ("dots an inch", _number("")),
    "tilt": ("tilt", _own),
    "height_from": ("height of the surface by", _own),
}
SURFACE: dict[str, tuple[str, _Told]] = {
    "nominal_radius_mm": ("outer radius by former and thickness", _number("mm")),
    "support": ("how much of its edges shows", _share),
    "lens_distance_shift": ("the bend's size puts the lens farther by", lambda value, evidence: f"{100 * value:.1f} %"),
}


def rows(evidence: Mapping[str, Any], told: Mapping[str, tuple[str, _Told]]) -> list[list[str]]:
    """Name and value of what is told of it, in the order of `told` (`SCALE` or `SURFACE`); nothing that is absent."""
    there = {key: one for key, one in told.items() if evidence.get(key) not in (None, [], "")}
    found = [[name, say(evidence[key], evidence)] for key, (name, say) in there.items()]
    equipment = evidence.get("equipment") if told is SCALE else None
    found += [[name, Said(value)] for name, value in words.entries({"equipment": equipment or {}})]
    return [row for row in found if row[1]]
