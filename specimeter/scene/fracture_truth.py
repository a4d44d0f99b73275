"""What is true of a broken specimen's photograph: its face without notches, and every feature on it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import fracture, geometry, shapes
from specimeter.scene.describe import Opening, Scene, broken_end
from specimeter.scene.fracture_relief import Relief


def on_relief_px(scene: Scene, relief: Relief, outline_mm: np.ndarray) -> np.ndarray:
    """Pixels [x, y] of a developed outline on the relief that it lies on."""
    place = geometry.place(scene.specimen, outline_mm)
    lifted = place - np.column_stack([np.zeros((len(place), 2)), relief.heights(outline_mm)])
    return geometry.project(scene.camera, lifted)


def parts(scene: Scene, dense: Callable[[np.ndarray], np.ndarray], rounded: Callable[[ArrayLike, int], list]) -> dict:
    """The truth's entries that differ from a bend's: specimen, area, features, marks.

    `dense(outline)` puts points close together, `rounded(points, digits)` makes them JSON-ready.
    """
    specimen, relief = broken_end(scene)[0], fracture.relief_of(scene)  # the picture's own: another sampling draws other ridges
    ends = geometry.project(
        scene.camera, geometry.place(specimen, [[0.0, -specimen.width_mm / 2], [0.0, specimen.width_mm / 2]])
    )

    def feature(one: Opening) -> dict:
        return {
            "kind": one.kind,
            "form": one.form,
            "fill": one.fill,
            "outline_px": rounded(on_relief_px(scene, relief, dense(one.outline_mm)), 3),
            "outline_mm": rounded(one.outline_mm, 5),
            "length_mm": round(shapes.length_mm(one.outline_mm), 5),
            "width_mm": round(shapes.width_mm(one.outline_mm), 5),
            "area_mm2": round(shapes.area_mm2(one.outline_mm), 6),
            "depth_mm": round(one.depth_mm, 3),
            "at_corner": one.at_corner,
        }

    return {
        "specimen": {
            "test": specimen.test,
            "thickness_mm": specimen.thickness_mm,
            "width_mm": specimen.width_mm,
            "crown_height_mm": specimen.crown_height_mm,
            "axis_angle_deg": specimen.axis_angle_deg,
            "half": specimen.half,
            "root": specimen.root,
            "body_mm": rounded(specimen.body_mm, 3),
        },
        "axis_px": rounded(ends, 3),
        "area_outline_px": rounded(on_relief_px(scene, relief, specimen.face_mm), 3),
        "area_outline_mm": rounded(specimen.face_mm, 4),
        "area_mm2": shapes.area_mm2(specimen.face_mm),
        "zones": [{"kind": zone.kind, "outline_mm": rounded(zone.outline_mm, 3)} for zone in specimen.zones],
        "features": [feature(one) for one in scene.openings],
    }


def sheet_lines(scene: Scene) -> list[str]:
    """The tables of the sheet that differ from a bend's, without the scale."""
    specimen = broken_end(scene)[0]
    thickness = specimen.thickness_mm
    if specimen.test == "fillet-break":  # a plate about as thick as the weld's legs, which are 1.4 throats
        thickness = round(1.4 * float(np.ptp(specimen.face_mm[:, 0])) * (1 + 0.05 * (scene.seed % 7)))
    return [
        "[specimen]",
        f'id = "{scene.id}"',
        f'test = "{specimen.test}"',
        f"parent_thickness_mm = {thickness:.1f}",
        f"specimen_thickness_mm = {thickness:.2f}",
        f"specimen_width_mm = {scene.width_calliper_mm:.2f}",
        "",
        "[weld]",
        f"weld_axis_px = {_axis_px(scene)}",
    ]


def _axis_px(scene: Scene) -> str:
    """Two points on the face along the weld, as a hand marks them, as TOML."""
    rng = np.random.default_rng(scene.seed + 79)
    specimen = broken_end(scene)[0]
    low, high = specimen.face_mm.min(0), specimen.face_mm.max(0)
    middle = (low[0] + high[0]) / 2
    ends = geometry.place(specimen, [[middle, low[1] + 1.0], [middle, high[1] - 1.0]])
    ends = geometry.project(scene.camera, ends) + rng.normal(0, 2.0, (2, 2))
    ends = np.clip(ends, 0, [scene.camera.width_px - 1, scene.camera.height_px - 1])
    return str([[round(float(x), 1), round(float(y), 1)] for x, y in ends])
