"""A macro section in the report: sizes with U, what is missing and why, undercuts' roots, and why sharpness matters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from specimeter.judge.wording import size_words
from specimeter.measure.section_place import fusion_lines, nearer, place_of, unfused
from specimeter.record import rebuild
from specimeter.record.model import Drawn, Feature, Record, Undercut
from specimeter.report import words
from specimeter.report.block import Block, points, table, text
from specimeter.report.language import Said
from specimeter.rounding import plus_minus

MEANS = {
    "leg_1_mm": "corner to toe along plate 1",
    "leg_2_mm": "corner to toe along plate 2",
    "throat_mm": "shortest distance from the corner to the face",
    "theoretical_throat_mm": "height of the largest triangle within the weld, parallel to the chord",
    "convexity_mm": "greatest height of the face over the chord; below 0: concave",
    "penetration_mm": "weld metal beyond the corner, or from the plate's surface to the deepest weld metal",
    "weld_width_mm": "toe to toe",
    "excess_weld_mm": "greatest height over the line from toe to toe, face side",
    "root_excess_mm": "greatest height over the line from toe to toe, root side",
    "misalignment_mm": "step between the plates' surface lines at the weld",
    "toe_angle_1_deg": "between plate and face, through the air: 180° flush, 90° abrupt",
    "toe_angle_2_deg": "the same at toe 2",
    "weld_area_mm2": "inside face and fusion line",
    "haz_width_mm": "width, the same all along it, square to the fusion line",
    "dilution": "share of parent metal in the weld metal",
}
NAMES = {name: (size_words(name), what) for name, what in MEANS.items()}
SHORT = {
    "leg_1_mm": "z1", "leg_2_mm": "z2", "throat_mm": "a", "theoretical_throat_mm": "at", "convexity_mm": "c",
    "penetration_mm": "p", "weld_width_mm": "b", "excess_weld_mm": "h", "root_excess_mm": "hr", "misalignment_mm": "e",
    "toe_angle_1_deg": "angle 1", "toe_angle_2_deg": "angle 2", "haz_width_mm": "HAZ",
}  # in the picture  # fmt: skip
SHARPNESS = (
    "Why sharpness matters: a notch gathers the stress at its root, and the sharper the root the more. For a slot of depth d "
    "and root radius r the stress there is about 1 + 2·√(d/r) times that of the smooth plate (Inglis, 1913). A scratch 0.4 mm "
    "deep with a root of 0.05 mm thus raises it 6.7 times, a groove three times as deep, 1.2 mm, with a root of 1 mm only 3.2 "
    "times: under repeated load the shallow one cracks first. The factor compares notches with each other; it designs nothing."
)
ZONE_DRAWN = "The heat-affected zone is as wide as points that a person clicked on its border lie from the fusion line."
DRAWN = "The weld metal is what a person clicked round it: area, penetration and place along the fusion line follow from that."
UNMEASURED = "Undercut {}: its depth and its root are not measured, since a person drew it or named it so."
TOES = ("undercut", "overlap")  # parts of the outline itself: their place is their toe
_UNIT = {"mm": "mm", "mm2": "mm²", "deg": "°"}


def unit_of(name: str) -> str:
    """The unit that a size's name ends in."""
    return _UNIT.get(name.rsplit("_", 1)[-1], "")


def said(record: Record, name: str) -> str | None:
    """A size with its U and unit; None where it was not had."""
    sizes = record.section or {}
    value = plus_minus(sizes.get(name), sizes.get(f"U_{name}"))
    return None if value is None else f"{value} {unit_of(name)}".strip()


def blocks(record: Record) -> list[Block]:
    """The section's part of the report; empty for other tests."""
    if record.cut is None:
        return []
    rows = [
        [title, _sign(name), said(record, name) or "not measured", what]
        for name, (title, what) in NAMES.items()
        if _told(record, name)
    ]
    caption = "Sizes ± expanded uncertainty, k = 2 (about 95 %); how each was drawn is shown in the photograph."
    found: list[Block] = [table(caption, ["size", "drawn as", "value", "what it is"], rows, wide=3, first=0.35, numbers=(2,))]
    if record.cut.missing:
        found.append(points(lacking(record)))
    if record.cut.weld_drawn_px is not None:
        found.append(text(DRAWN))
    if record.cut.zone_drawn_px is not None and "haz_width_mm" in (record.section or {}):
        found.append(text(ZONE_DRAWN))
    found += _placed(record)
    if undercuts(record):
        found.append(_undercuts(record))
        closed = [(one.feature, why) for one, _ in undercuts(record) for why in one.missing.values()]
        if closed:
            found.append(points([f"Opening of {id_}: {why}" for id_, why in closed]))
        found.append(text(SHARPNESS))
    found += [text(UNMEASURED.format(one.id)) for one in unmeasured(record)]
    return found


def _sign(name: str) -> str:
    """What a size is called in the picture; letters stand in every language."""
    sign = SHORT.get(name, "–")
    return sign if len(sign) > 2 else Said(sign)


def lacking(record: Record) -> list[str]:
    """What was not measured and why, one sentence a reason."""
    by_why: dict[str, list[str]] = {}
    for name, why in (record.cut.missing if record.cut else {}).items():
        by_why.setdefault(why, []).append(NAMES[name][0])
    return [f"{', '.join(names)}: {why}" for why, names in by_why.items()]


def lines(record: Record) -> list[str]:
    """The same for a terminal: one line for each size that was measured."""
    if record.cut is None:
        return []
    told = [(NAMES[name][0], said(record, name)) for name in NAMES if _told(record, name)]
    found = [f"{title:<20} {value}" for title, value in told if value]
    for one, feature in undercuts(record):
        depth = plus_minus(feature.depth_mm, feature.U_depth_mm) or "–"
        opening = plus_minus(one.opening_angle_deg, one.U_opening_angle_deg)
        wide = "not measured" if opening is None else f"{opening}°"
        found.append(f"undercut {one.feature:<11} {depth} mm deep, root radius {radius(one)}, opening {wide}")
    return found + [UNMEASURED.format(one.id) for one in unmeasured(record)]


def undercuts(record: Record) -> list[tuple[Undercut, Feature]]:
    """A section's undercuts, each with its feature, but for those that a person rejected or called something else."""
    features = {feature.id: feature for feature in record.features}
    found = [(one, features[one.feature]) for one in (record.cut.undercuts if record.cut else ())]
    return [(one, feature) for one, feature in found if feature.status != "rejected" and feature.kind == "undercut"]


def unmeasured(record: Record) -> list[Feature]:
    """Undercuts of the section that a person drew, or named so: nothing was fitted to them."""
    photo = None if record.cut is None else record.cut.photo
    own = [one for one in record.features if one.photo == photo and one.kind == "undercut" and one.status != "rejected"]
    return [one for one in own if one.depth_mm is None]


def radius(one: Undercut) -> str:
    """An undercut's root radius as it may be said."""
    value = plus_minus(one.root_radius_mm, one.U_root_radius_mm)
    return f"{value} mm" if value else f"at most {one.root_radius_at_most_mm:.2g} mm"


def _told(record: Record, name: str) -> bool:
    return name in (record.section or {}) or (record.cut is not None and name in record.cut.missing)


def _placed(record: Record) -> list[Block]:
    """Where the section's features lie, and along how much of the fusion line nothing is fused."""
    assert record.cut is not None
    photo = record.cut.photo
    inner = [one for one in record.features if one.photo == photo and one.kind not in TOES and one.status != "rejected"]
    if not inner:
        return []
    surface, area = rebuild.surface_of(record, photo), rebuild.area_of(record, photo)
    metal = surface.develop(area.outline_px)
    lines = [] if record.cut.weld_px is None else fusion_lines(surface.develop(np.array(record.cut.weld_px)), metal)
    outlines = {one.id: surface.develop(np.array(one.outline_px)) for one in inner}
    toes = {n: surface.develop(np.array([toe]))[0] for n, toe in toes_px(record.cut.drawn).items()}
    rows = []
    for one in inner:
        place = place_of(outlines[one.id], metal, lines)
        told = (place.to_surface_mm, place.to_fusion_line_mm, place.along_fusion_line_mm)
        side = nearer(outlines[one.id], toes)
        told_side = "–" if side is None else str(side)
        rows.append([one.id, words.kind(one.kind), *("–" if value is None else f"{value:.1f}" for value in told), told_side])
    heads = ["no.", "kind", "to the surface\nmm", "to the fusion line\nmm", "along it\nmm", "nearer toe"]
    caption = "Where features lie: from their nearest point; along the fusion line from its end at the weld's face."
    found = [table(caption, heads, rows, wide=1, numbers=(2, 3, 4, 5))]
    for one in inner:
        if one.kind == "lack-of-penetration" and (high := plus_minus(one.length_mm, one.U_length_mm)):
            found.append(text(f"Lack of penetration {one.id}: {high} mm high."))
    beside = [one for one in inner if one.kind.startswith("lack-of") and one.kind != "lack-of-penetration"]  # plate on plate
    lost = unfused([outlines[one.id] for one in beside], lines)
    if lost is not None and lost[0] > 0:
        share = 100 * lost[0] / lost[1]
        found.append(text(f"Not fused: {lost[0]:.1f} mm of {lost[1]:.1f} mm of the fusion line ({share:.0f} %)."))
    return found


def toes_px(drawn: Sequence[Drawn]) -> dict[int, tuple[float, float]]:
    """The toes 1 and 2 [x, y] in pixels, as far as an angle or a leg was drawn at them."""
    at = {one.size: one.lines_px[0] for one in drawn}
    found = {n: at[size][0] for n in (1, 2) if (size := f"toe_angle_{n}_deg") in at}
    return {n: at[size][-1] for n in (1, 2) if (size := f"leg_{n}_mm") in at} | found


def _undercuts(record: Record) -> Block:
    rows = []
    for one, feature in undercuts(record):
        depth = plus_minus(feature.depth_mm, feature.U_depth_mm)
        width = plus_minus(one.width_mm, one.U_width_mm)
        opening = plus_minus(one.opening_angle_deg, one.U_opening_angle_deg)
        factor = f"{'' if one.root_radius_mm else 'at least '}{one.stress_concentration:.2g}"
        rows.append([one.feature, str(one.toe), depth or "–", width or "–", radius(one), opening or "–", factor])
    heads = ["no.", "toe", "depth\nmm", "mouth\nmm", "root radius", "opening\n°", "1 + 2·√(d/r)"]
    caption = (
        "Undercuts: depth square to that plate's own surface, mouth along it. A section does not show how long an undercut is."
    )
    return table(caption, heads, rows, wide=4, numbers=(2, 3, 5, 6))
