"""What is true of a scene, exactly, and the sheet that goes with its photograph."""

from __future__ import annotations

from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import card, fracture_truth, geometry, section_truth, shapes
from specimeter.scene.describe import Broken, Mark, Opening, Rule, Scene, Specimen, bent_bar
from specimeter.scene.fracture_random import gauge_points_mm as broken_gauge_points_mm
from specimeter.scene.rule_random import sheet_lines
from specimeter.scene.section import Section

STEP_MM = 0.05


def _round(points: ArrayLike, digits: int) -> list:
    return np.round(np.asarray(points, float), digits).tolist()


def dense(line_mm: np.ndarray, closed: bool = True, step_mm: float = STEP_MM) -> np.ndarray:
    """The same line with points at most `step_mm` apart, so that straight pieces follow the curved surface."""
    ends = np.roll(line_mm, -1, axis=0) if closed else line_mm[1:]
    starts = line_mm if closed else line_mm[:-1]
    pieces = []
    for start, end in zip(starts, ends, strict=True):
        count = max(1, int(np.ceil(np.hypot(*(end - start)) / step_mm)))
        pieces.append(start + (end - start) * (np.arange(count) / count)[:, None])
    if not closed:
        pieces.append(line_mm[-1:])
    return np.concatenate(pieces)


def outline_px(scene: Scene, outline_mm: np.ndarray, step_mm: float = STEP_MM) -> np.ndarray:
    """Pixels [x, y] of a developed outline."""
    return geometry.project(scene.camera, geometry.place(scene.specimen, dense(outline_mm, step_mm=step_mm)))


def feature(scene: Scene, opening: Opening) -> dict:
    """One opening as the truth file holds it."""
    outline = opening.outline_mm
    return {
        "kind": opening.kind,
        "form": opening.form,
        "fill": opening.fill,
        "outline_px": _round(outline_px(scene, outline), 3),
        "outline_mm": _round(outline, 5),
        "length_mm": round(shapes.length_mm(outline), 5),
        "width_mm": round(shapes.width_mm(outline), 5),
        "area_mm2": round(shapes.area_mm2(outline), 6),
        "depth_mm": round(opening.depth_mm, 3),
        "at_corner": opening.at_corner,
    }


def of(scene: Scene) -> dict:
    """The whole truth, JSON-ready. Camera and crown are given in the card's coordinates too, where there is a card."""
    camera = scene.camera
    own = _flat(scene).parts(scene, dense, _round) if isinstance(scene.specimen, Broken) else _bent_parts(scene)
    truth = {
        "format": "specimeter-truth",
        "version": 1,
        "scene": scene.id,
        "seed": scene.seed,
        "groups": dict(scene.groups),
        "width_px": camera.width_px,
        "height_px": camera.height_px,
        "mm_per_px": geometry.mm_per_px(scene.specimen, camera),
        "camera": {
            "name": camera.name,
            "focal_px": camera.focal_px,
            "centre_px": list(camera.centre_px),
            "k1": camera.k1,
            "rotation": camera.rotation.tolist(),
            "eye_mm": list(map(float, camera.eye_mm)),
            "tilt_deg": float(np.degrees(np.arccos(np.clip(camera.rotation[2, 2], -1, 1)))),
            "distance_mm": float(np.linalg.norm(camera.eye_mm - geometry.crown(scene.specimen))),
        },
        **own,
        "distractors": [_distractor(scene, mark) for mark in scene.marks],
        "card": None,
        "surface_height_mm": scene.true_surface_height_mm,
    }
    if scene.rule is not None:
        truth["rule"] = _rule(scene, scene.rule)
    elif scene.card.kind != "none":
        truth["card"] = _card(scene)
    return truth


def _flat(scene: Scene) -> ModuleType:
    """The module that knows the truth of a specimen whose face is flat."""
    return section_truth if isinstance(scene.specimen, Section) else fracture_truth


def _distractor(scene: Scene, mark: Mark) -> dict:
    specimen, camera = scene.specimen, scene.camera
    return {
        "kind": mark.kind,
        "size_mm": mark.size_mm,
        "lines_px": [_round(geometry.project(camera, geometry.place(specimen, line)), 2) for line in mark.lines_mm],
        "outline_px": _round(
            geometry.project(camera, geometry.place(specimen, _around(np.concatenate(mark.lines_mm), mark.size_mm))), 2
        ),
    }


def _bent_parts(scene: Scene) -> dict:
    """What is true of a bend alone: specimen, axis, examined face, openings."""
    specimen, camera = bent_bar(scene)[0], scene.camera
    reach = specimen.width_mm / 2
    ends = geometry.project(camera, geometry.place(specimen, [[0.0, -reach], [0.0, reach]]))
    outline = geometry.face_outline(specimen, camera)
    return {
        "specimen": {
            "test": specimen.test,
            "radius_mm": specimen.radius_mm,
            "width_mm": specimen.width_mm,
            "thickness_mm": specimen.thickness_mm,
            "angle_deg": specimen.angle_deg,
            "corner_mm": specimen.corner_mm,
            "crown_height_mm": specimen.crown_height_mm,
            "axis_angle_deg": specimen.axis_angle_deg,
        },
        "axis_px": _round(ends, 3),
        "area_outline_px": _round(geometry.project(camera, geometry.place(specimen, outline)), 3),
        "area_outline_mm": _round(outline, 4),
        "area_mm2": shapes.area_mm2(outline),
        "features": [feature(scene, opening) for opening in scene.openings],
    }


def _around(points: np.ndarray, size_mm: float) -> np.ndarray:
    """Corners of the box around a mark, in developed mm."""
    low, high = points.min(0) - size_mm / 2, points.max(0) + size_mm / 2
    return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])


def card_axes(scene: Scene) -> np.ndarray:
    """Rows: the card's x, y (as printed) and z (into the bench) in the world."""
    angle = np.radians(scene.card.angle_deg)
    return np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])


def card_points(scene: Scene, points_mm: ArrayLike) -> np.ndarray:
    """World points (N, 3) of the card's nominal [x, y] in mm, shrunk as it was printed."""
    flat = np.asarray(points_mm, float).reshape(-1, 2) * scene.card.shrink
    return np.column_stack([flat, np.zeros(len(flat))]) @ card_axes(scene) + scene.card.origin_mm


def _rule(scene: Scene, rule: Rule) -> dict:
    """Where the rule lies and how it is divided; its axes run along it and across it from the first edge."""
    frame = card_axes(scene)
    corners = [[0.0, 0.0], [rule.length_mm, 0.0], [rule.length_mm, rule.width_mm], [0.0, rule.width_mm]]
    return {
        "body": rule.body,
        "divisions_mm": list(rule.divisions_mm),
        "stretch": rule.stretch,
        "wear": rule.wear,
        "outline_px": _round(geometry.project(scene.camera, card_points(scene, corners)), 2),
        "rotation": (scene.camera.rotation @ frame.T).tolist(),
        "translation_mm": (scene.camera.rotation @ (np.asarray(scene.card.origin_mm) - scene.camera.eye_mm)).tolist(),
    }


def _card(scene: Scene) -> dict:
    frame = card_axes(scene)
    half = card.MARKER_MM / 2
    corners = {
        str(marker): _round(
            geometry.project(
                scene.camera,
                card_points(scene, np.array(centre) + np.array([[-half, -half], [half, -half], [half, half], [-half, half]])),
            ),
            3,
        )
        for marker, centre in card.CENTRES_MM[scene.card.kind].items()
    }
    width, height = card.SIZE_MM[scene.card.kind]
    outline = card_points(scene, [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    rotation = scene.camera.rotation @ frame.T
    return {
        "kind": scene.card.kind,
        "shrink": list(scene.card.shrink),
        "marker_corners_px": corners,
        "outline_px": _round(geometry.project(scene.camera, outline), 2),
        "rotation": rotation.tolist(),  # camera = rotation @ card coordinates + translation_mm, card in true mm
        "translation_mm": (scene.camera.rotation @ (np.asarray(scene.card.origin_mm) - scene.camera.eye_mm)).tolist(),
        "crown_mm": (frame @ (geometry.place(scene.specimen, [[0.0, 0.0]])[0] - scene.card.origin_mm)).tolist(),
        "axis": (frame @ geometry.axes(scene.specimen)[1]).tolist(),
    }


# ------------------------------------------------------------------ the sheet


def sheet_toml(scene: Scene) -> str:
    """The specimen sheet (design section 5) that a technician would have filled in for this scene."""
    specimen = scene.specimen
    if isinstance(specimen, Broken):
        return (
            "\n".join([*_flat(scene).sheet_lines(scene), "", "[scale]", *_scale_lines(scene), "", "[validity]", "valid = true"])
            + "\n"
        )
    weld = bent_bar(scene)[2]
    lines = [
        "[specimen]",
        f'id = "{scene.id}"',
        f'test = "{specimen.test}"',
        f"parent_thickness_mm = {scene.parent_thickness_mm:.1f}",
        f"specimen_thickness_mm = {specimen.thickness_mm:.2f}",
        f"specimen_width_mm = {scene.width_calliper_mm:.2f}",
        f"weld_width_mm = {2 * weld.half_width_mm:.1f}",
        "",
        "[bend]",
        f"former_diameter_mm = {specimen.former_diameter_mm:.1f}",
        f"angle_deg = {specimen.angle_deg:.1f}",
        _axis_line(scene),
        "",
        "[scale]",
        *_scale_lines(scene),
        "",
        "[validity]",
        f'tension_face = "{_tension_face(specimen.test)}"',
        f"former_required_mm = {specimen.former_diameter_mm:.1f}",
        f"angle_required_deg = {specimen.angle_deg:.1f}",
        "weld_inside_bend = true",
        "broken_through = false",
        "valid = true",
    ]
    return "\n".join(lines) + "\n"


def _tension_face(test: str) -> str:
    return {"face-bend": "face", "root-bend": "root", "side-bend": "side", "longitudinal-bend": "face"}[test]


def _axis_line(scene: Scene) -> str:
    rng = np.random.default_rng(scene.seed + 77)
    reach = scene.specimen.width_mm / 2
    start, end = geometry.project(scene.camera, geometry.place(scene.specimen, [[0.0, -reach], [0.0, reach]]))
    angle = np.degrees(np.arctan2(*(end - start)[::-1])) % 180
    if abs(angle - 90) < 15:
        return 'axis = "vertical"'
    if min(angle, 180 - angle) < 15:
        return 'axis = "horizontal"'
    slip = rng.normal(0, 0.004 * np.hypot(*(end - start)), (2, 2))
    (x0, y0), (x1, y1) = np.array([start, end]) + slip
    return f"axis = [[{x0:.1f}, {y0:.1f}], [{x1:.1f}, {y1:.1f}]]"


def gauge_points_mm(specimen: Specimen) -> np.ndarray:
    """Two points on the crown line, developed [s, a], shape (2, 2), that a known length lies between."""
    half = specimen.width_mm / 2 - specimen.corner_mm - 1.0
    return np.array([[0.0, -half], [0.0, half]])


def _scale_lines(scene: Scene) -> list[str]:
    rng = np.random.default_rng(scene.seed + 78)
    if scene.rule is not None:
        lines = sheet_lines(scene.seed, scene.rule)
    elif scene.card.kind != "none":
        lines = ['method = "card"']
        if scene.printed_length_mm is not None:
            lines.append(f"printed_length_mm = {scene.printed_length_mm:.2f}")
    else:
        if isinstance(scene.specimen, Section):
            points = section_truth.gauge_points_mm(scene.specimen)
        elif isinstance(scene.specimen, Broken):
            points = broken_gauge_points_mm(scene.specimen)
        else:
            points = gauge_points_mm(scene.specimen)
        ends = geometry.project(scene.camera, geometry.place(scene.specimen, points))
        ends = ends + rng.normal(0, 0.5, (2, 2))  # as well as a hand clicks
        lines = [
            'method = "length"',
            f"from_px = [{ends[0, 0]:.1f}, {ends[0, 1]:.1f}]",
            f"to_px = [{ends[1, 0]:.1f}, {ends[1, 1]:.1f}]",
            f"length_mm = {np.hypot(*(points[1] - points[0])):.2f}",
            "length_U_mm = 0.05",
        ]
    if scene.surface_height_mm is not None:
        lines += [
            f"surface_height_mm = {scene.surface_height_mm:.1f}",
            f"surface_height_U_mm = {scene.surface_height_U_mm:.1f}",
        ]
    if scene.camera_distance_mm is not None:
        lines.append(f"camera_distance_mm = {scene.camera_distance_mm:.0f}")
    return lines
