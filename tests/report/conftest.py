"""A record made by hand on a drawn picture: a bend face with five features, for every test of the report."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter.record import model
from specimeter.scale.surface import Bend
from specimeter.scale.view import View

HASH = "0123456789abcdef" * 4
MEASURED = {"when": "2026-11-25T14:30:00+00:00", "who": "specimeter 0.1.0", "what": "measured and recorded"}


def bend_surface(width_px: int, height_px: int) -> Bend:
    """A bend of 30 mm outer radius, its axis upright in the picture, seen from 300 mm with a slight tilt."""
    tilt = np.radians(4.0)
    rotation = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    middle = np.array([50.0, 38.0, -40.0])
    view = View(
        focal_px=4.2 * width_px,
        centre_px=np.array([(width_px - 1) / 2, (height_px - 1) / 2]),
        rotation=rotation,
        translation_mm=np.array([0.0, 0.0, 380.0]) - rotation @ middle,
        k1=-0.02,
        k2=0.001,
    )
    return Bend(
        view=view, crown_mm=middle[:2], direction_deg=90.0, height_mm=40.0, radius_mm=30.0, angle_deg=170.0, u_radius_mm=0.3
    )


def ring(surface: Bend, centre_mm, length_mm: float, width_mm: float, turn_deg: float) -> np.ndarray:
    """A lens-shaped outline in pixels around a developed point."""
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    shape = np.column_stack([length_mm / 2 * np.cos(t), width_mm / 2 * np.sin(t) * np.abs(np.sin(t)) ** 0.4])
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return surface.project(np.asarray(centre_mm) + shape @ np.array([[c, s], [-s, c]]))


def pairs(points) -> tuple:
    return tuple((float(x), float(y)) for x, y in np.asarray(points))


def photograph(surface: Bend, outlines, width_px: int, height_px: int) -> np.ndarray:
    """A grey bench, a shaded brushed cylinder, dark openings with a bright lip; drawn, not rendered."""
    rng = np.random.default_rng(7)
    yy, xx = np.mgrid[0:height_px:4, 0:width_px:4]
    points = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
    steep = surface.steepness_deg(points)
    along = surface.develop(points)[:, 1]
    steel = 205 * np.cos(np.radians(np.nan_to_num(steep, nan=90))) ** 0.8 + 12
    inside = np.isfinite(steep) & (np.abs(along) < 12.5)
    grey = np.where(inside, steel, 96).reshape(xx.shape).astype(np.float32)
    grey = cv2.resize(grey, (width_px, height_px), interpolation=cv2.INTER_LINEAR)
    grey += cv2.GaussianBlur(rng.normal(0, 18, (height_px, width_px)).astype(np.float32), (0, 0), sigmaX=5, sigmaY=0.6)
    rgb = np.clip(np.stack([grey, grey * 0.99, grey * 0.96], axis=-1), 0, 255).astype(np.uint8)
    for outline in outlines:
        fixed = np.round(outline * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(rgb, [fixed], (28, 24, 22), cv2.LINE_AA, 4)
        cv2.polylines(rgb, [fixed], True, (235, 232, 225), 1, cv2.LINE_AA, 4)
    return rgb


SHEET = {
    "specimen": {
        "id": "SB-25-03",
        "test": "side-bend",
        "parent_thickness_mm": 25.0,
        "specimen_thickness_mm": 10.0,
        "specimen_width_mm": 25.0,
        "sought": ["lack-of-sidewall-fusion"],
    },
    "bend": {"former_diameter_mm": 40.0, "angle_deg": 170.0, "axis": "vertical"},
    "scale": {"method": "auto", "surface_height_mm": 40.0, "surface_height_U_mm": 1.0},
    "validity": {"tension_face": "side", "former_required_mm": 40.0, "weld_inside_bend": True, "broken_through": False},
    "observations": {"complete-root-fusion": True},
    "order": {"method": "guided bend test, workshop procedure 7", "edition": "2026"},
}

LIMITS = {
    "limits": {
        "title": "Transverse bend, butt weld",
        "basis": "example, check against the edition in force",
        "decision": "guarded",
        "accept": "single and total",
    },
    "rule": [
        {
            "id": "single",
            "name": "single opening",
            "kinds": ["opening", "crack"],
            "where": "not at_corner",
            "size": "length_mm",
            "test": "each",
            "limit": "3",
            "unit": "mm",
            "sense": "at most",
            "beyond": "exceeds",
        },
        {
            "id": "total",
            "name": "sum of openings",
            "kinds": ["opening"],
            "size": "length_mm",
            "test": "sum",
            "counted": "length_mm > 1 and length_mm <= 3",
            "limit": "min(10, t / 2)",
            "unit": "mm",
            "sense": "at most",
        },
    ],
}


def make(shapes, *, width_px: int = 1600, height_px: int = 1200, **changes) -> SimpleNamespace:
    """`photo` (as far as the overlay needs it), `record` and `surface`; shapes: (kind, status, centre, length, width, turn)."""
    surface = bend_surface(width_px, height_px)
    outlines = [ring(surface, *shape[2:]) for shape in shapes]
    half = surface.radius_mm * np.radians(52)
    edge = np.linspace(-half, half, 40)
    area = surface.project(
        np.vstack([np.column_stack([edge, np.full(40, -12.5)]), np.column_stack([edge[::-1], np.full(40, 12.5)])])
    )
    features = []
    for number, ((kind, status, centre, length, width, turn), outline) in enumerate(
        zip(shapes, outlines, strict=True), start=1
    ):
        way = length / 2 * np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        features.append(
            model.Feature(
                id=f"f{number}",
                photo="p1",
                kind=kind,
                status=status,
                found_by="auto",
                confidence=max(0.35, 0.98 - 0.13 * number),
                outline_px=pairs(outline),
                u_edge_px=0.3,
                u_tip_px=0.6,
                tips_px=pairs(surface.project(np.array([centre - way, centre + way]))),
                length_mm=length,
                U_length_mm=0.083,
                width_mm=width,
                U_width_mm=0.061,
                area_mm2=0.7 * length * width,
                U_area_mm2=0.0996,
                at_corner=bool(abs(centre[1]) > 11),
                nearest_mm=None if number == 2 else 2.345 * number,
                U_nearest_mm=None if number == 2 else 0.11,
                reason="a stamp mark" if status == "rejected" else None,
                missing={"nearest_mm": "the nearest outline lies over the edge of the examined area"} if number == 2 else {},
            )
        )
    ids = tuple(feature.id for feature in features[:1])
    view = surface.view
    fields = {
        "sheet": SHEET,
        "limits": LIMITS,
        "photos": (
            model.Photo(id="p1", file="bend-03.jpg", sha256=HASH, width_px=width_px, height_px=height_px, focal_35mm_mm=26.0),
        ),
        "scales": (
            model.Scale(
                photo="p1",
                method="card",
                mm_per_px=surface.mm_per_px_at(surface.project([[0, 0]])[0]),
                u_rel=0.00093,
                surface_height_mm=40.0,
                surface_height_u_mm=0.5,
                tilt_deg=view.tilt_deg,
                view=model.CameraView(
                    focal_px=view.focal_px,
                    centre_px=tuple(view.centre_px),
                    k1=view.k1,
                    k2=view.k2,
                    rotation=tuple(tuple(map(float, row)) for row in view.rotation),
                    translation_mm=tuple(map(float, view.translation_mm)),
                ),
                budget=(
                    model.BudgetTerm(
                        source="printed length of the card",
                        value=80.0,
                        unit="mm",
                        u=0.05,
                        sensitivity=0.0125,
                        contribution=0.000625,
                        basis="callipers on the printed card",
                    ),
                    model.BudgetTerm(
                        source="height of the crown",
                        value=40.0,
                        unit="mm",
                        u=0.5,
                        sensitivity=0.0013,
                        contribution=0.00065,
                        basis="sheet: U = 1 mm",
                    ),
                    model.BudgetTerm(
                        source="place of the marker corners",
                        unit="px",
                        u=0.11,
                        sensitivity=0.002,
                        contribution=0.00022,
                        basis="residuals of 8 corners",
                        dof=8.0,
                    ),
                ),
                evidence={"card": "strip", "markers": [10, 11], "residual_rms_px": 0.11, "camera_distance_mm": 380.0},
            ),
        ),
        "surfaces": (
            model.SurfaceShape(
                photo="p1",
                shape="bend",
                height_mm=40.0,
                radius_mm=30.0,
                angle_deg=170.0,
                crown_mm=tuple(map(float, surface.crown_mm)),
                direction_deg=90.0,
                u_radius_mm=0.3,
                u_direction_deg=0.0,
                u_crown_mm=0.0,
                axis_px=pairs(surface.project([[0, -12.5], [0, 12.5]])),
                evidence={"edges_seen": 2},
            ),
        ),
        "examined": (
            model.Examined(
                photo="p1",
                outline_px=pairs(area),
                found_by="auto",
                confidence=0.97,
                area_mm2=1361.4,
                U_area_mm2=9.3,
                width_mm=25.04,
                u_width_mm=0.06,
                smallest_resolvable_mm=0.187,
            ),
        ),
        "features": tuple(features),
        "verdicts": (
            model.Verdict(
                rule="single",
                name="single opening",
                outcome="exceeds",
                value=3.42,
                U=0.083,
                limit=3.0,
                unit="mm",
                sense="at most",
                because="f1 is 3.42 mm long with U = 0.09 mm (k = 2), above the limit of 3 mm by more than U.",
                features=ids,
                p_conform=1.2e-9,
            ),
            model.Verdict(
                rule="total",
                name="sum of openings",
                outcome="within",
                value=4.1,
                U=0.13,
                limit=10.0,
                unit="mm",
                sense="at most",
                because="The sum of 2 counted openings is 4.10 mm with U = 0.13 mm, at most 10 mm.",
                features=ids,
                p_conform=0.99999,
            ),
        ),
        "outcome": "exceeds",
        "reasons": (
            "f1 is 3.42 mm long with U = 0.09 mm (k = 2), above the limit of 3 mm by more than U.",
            "No person has looked at the features yet.",
        ),
        "cautions": ("The height of the crown was entered, not measured; 1 mm of height changes sizes by 0.3 %.",),
        "tool": model.Tool(
            version="0.1.0", settings={"segmenter": "openings"}, libraries={"python": "3.11.7", "numpy": "2.4.6"}
        ),
    }
    fields.update(changes)
    photo = SimpleNamespace(rgb=photograph(surface, outlines, width_px, height_px), width_px=width_px, height_px=height_px)
    return SimpleNamespace(photo=photo, record=model.logged(fields, MEASURED), surface=surface)


FIVE = [
    ("opening", "proposed", np.array([4.0, -3.0]), 3.42, 0.62, 70.0),
    ("opening", "proposed", np.array([-9.0, 5.0]), 1.35, 0.38, 100.0),
    ("crack", "confirmed", np.array([1.0, 11.2]), 2.1, 0.3, 90.0),
    ("pore", "proposed", np.array([-3.0, -6.0]), 0.9, 0.85, 0.0),
    ("opening", "rejected", np.array([14.0, 4.0]), 1.9, 0.7, 30.0),
]


@pytest.fixture(scope="session")
def case():
    """Maker of a photo with its record: ``case(shapes, **changes of the record)``; without shapes the five of the example."""
    return lambda shapes=FIVE, **changes: make(shapes, **changes)


@pytest.fixture(scope="session")
def five(case):
    return case()


@pytest.fixture(scope="session")
def five_overlay(five):
    from specimeter.report import overlay

    return overlay.draw(five.photo, five.record)
