"""What is true of a section's photograph: every size of the weld, its metal's and weld's outlines, its features, its sheet."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import geometry, shapes
from specimeter.scene.describe import Opening, Scene
from specimeter.scene.section import Section, cut_of


def gauge_points_mm(specimen: Section) -> np.ndarray:
    """Two punched points on the plates, developed [s, a], shape (2, 2), that a known length lies between."""
    low, high = specimen.joint.metal.min(0), specimen.joint.metal.max(0)
    y = high[1] - 0.5 * specimen.joint.thickness
    if specimen.test == "macro-butt":
        y = 0.5 * specimen.joint.thickness
    return specimen.developed([[low[0] + 3.0, y], [high[0] - 3.0, y]])


def sizes(scene: Scene) -> dict[str, float]:
    """The sizes as the record names them: a butt's side 1 is the one that lies left in the photograph (or above)."""
    specimen, cut = cut_of(scene)
    found = dict(specimen.joint.sizes)
    if specimen.test == "macro-butt" and _turned(scene):
        found["toe_angle_1_deg"], found["toe_angle_2_deg"] = found["toe_angle_2_deg"], found["toe_angle_1_deg"]
    if cut.etch:
        found["haz_width_mm"] = cut.haz_mm
    corner = specimen.developed([[0.0, 0.0]])[0]
    for one in scene.openings:  # a root that is not fused ends the weld metal on the faying line
        if one.kind == "lack-of-root-fusion" and "penetration_mm" in found:
            found["penetration_mm"] = min(found["penetration_mm"], max(float(corner[0] - one.outline_mm[:, 0].max()), 0.0))
    return {name: round(float(value), 5) for name, value in found.items()}


def _turned(scene: Scene) -> bool:
    specimen = cut_of(scene)[0]
    one, two = _px(scene, specimen.developed(specimen.joint.toes))
    along = two - one
    return bool((along[0] if abs(along[0]) >= abs(along[1]) else along[1]) < 0)


def _px(scene: Scene, developed_mm: np.ndarray) -> np.ndarray:
    return geometry.project(scene.camera, geometry.place(scene.specimen, developed_mm))


def parts(scene: Scene, dense: Callable[[np.ndarray], np.ndarray], rounded: Callable[[ArrayLike, int], list]) -> dict:
    """The truth's entries that are a section's own; `dense` and `rounded` as for a broken specimen."""
    specimen, cut = cut_of(scene)
    joint = specimen.joint

    def feature(one: Opening) -> dict:
        return {
            "kind": one.kind,
            "form": one.form,
            "fill": one.fill,
            "outline_px": rounded(_px(scene, dense(one.outline_mm)), 3),
            "outline_mm": rounded(one.outline_mm, 5),
            "length_mm": round(shapes.length_mm(one.outline_mm), 5),
            "width_mm": round(shapes.width_mm(one.outline_mm), 5),
            "area_mm2": round(shapes.area_mm2(one.outline_mm), 6),
            "depth_mm": round(one.depth_mm, 3),
            "at_corner": one.at_corner,
        }

    swap = specimen.test == "macro-butt" and _turned(scene)
    return {
        "specimen": {
            "test": specimen.test,
            "thickness_mm": specimen.thickness_mm,
            "width_mm": specimen.width_mm,
            "crown_height_mm": specimen.crown_height_mm,
            "axis_angle_deg": specimen.axis_angle_deg,
            "joint": joint.kind,
            "mount": specimen.mount,
            "body_mm": rounded(specimen.body_mm, 3),
        },
        "axis_px": rounded(_px(scene, gauge_points_mm(specimen)), 3),
        "area_outline_px": rounded(_px(scene, specimen.face_mm), 3),
        "area_outline_mm": rounded(specimen.face_mm, 4),
        "area_mm2": shapes.area_mm2(specimen.face_mm),
        "section": sizes(scene),
        "weld": {
            "etch": cut.etch,
            "patchy": cut.patchy,
            "outline_px": rounded(_px(scene, specimen.developed(joint.weld)), 3),
            "toes_px": rounded(_px(scene, specimen.developed(joint.toes)), 3),
            "face_px": rounded(_px(scene, specimen.developed(joint.face)), 3),
            "plates_px": [rounded(_px(scene, specimen.developed(line)), 3) for line in joint.plates],
        },
        "undercuts": [
            {
                "toe": 3 - one.toe if swap else one.toe,
                "depth_mm": round(one.depth_mm, 5),
                "width_mm": round(one.width_mm, 5),
                "root_radius_mm": round(one.root_radius_mm, 5),
                "opening_angle_deg": round(one.opening_angle_deg, 4),
                "outline_px": rounded(_px(scene, specimen.developed(one.outline_mm)), 3),
            }
            for one in joint.undercuts
        ],
        "unfused": [  # lines along which plates meet without being fused
            {
                "line_px": rounded(_px(scene, specimen.developed(line)), 3),
                "length_mm": round(float(np.hypot(*(line[-1] - line[0]))), 5),
            }
            for line in joint.gaps
        ],
        "overlaps": [
            {
                "toe": 3 - one.toe if swap else one.toe,
                "length_mm": round(one.length_mm, 5),
                "outline_px": rounded(_px(scene, specimen.developed(one.outline_mm)), 3),
            }
            for one in joint.overlaps
        ],
        "features": [feature(one) for one in scene.openings],
    }


def sheet_lines(scene: Scene) -> list[str]:
    """The tables of the sheet that are a section's own, without the scale."""
    lines = [
        "[specimen]",
        f'id = "{scene.id}"',
        f'test = "{scene.specimen.test}"',
        f"parent_thickness_mm = {scene.parent_thickness_mm:.1f}",
    ]
    etched = cut_of(scene)[1].etch > 0
    return [*lines, "", "[section]", "grit = 400", *(['etchant = "nital"', 'concentration = "5 %"'] if etched else [])]
