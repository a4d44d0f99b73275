"""Views, scales and areas for tests of measuring: a camera straight above, so that closed forms hold exactly."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Flat
from specimeter.scale.view import View
from specimeter.segment.model import ExaminedArea, Outline


def view(*, focal_px: float = 4000.0, distance_mm: float = 400.0, tilt_deg: float = 0.0, k1: float = 0.0) -> View:
    """A lens over the world's origin, tilted about x; at no tilt one pixel is distance / focal mm at height 0."""
    cosine, sine = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    rotation = np.array([[1, 0, 0], [0, cosine, -sine], [0, sine, cosine]])
    return View(
        focal_px=focal_px,
        centre_px=np.array([1000.0, 800.0]),
        rotation=rotation,
        translation_mm=np.array([0.0, 0.0, distance_mm]),
        k1=k1,
    )


def flat(**camera) -> Flat:
    return Flat(view=view(**camera), height_mm=0.0)


def bend(*, radius_mm: float = 30.0, height_mm: float = 0.0, u: tuple[float, float, float] = (0.0, 0.0, 0.0), **camera) -> Bend:
    """A bend whose axis runs along the world's y, its crown over the origin."""
    return Bend(
        view=view(**camera),
        crown_mm=np.zeros(2),
        direction_deg=90.0,
        height_mm=height_mm,
        radius_mm=radius_mm,
        angle_deg=180.0,
        u_crown_mm=u[0],
        u_direction_deg=u[1],
        u_radius_mm=u[2],
    )


def scale_of(surface, u_rel: float = 1e-3) -> Scale:
    return Scale(
        method="length",
        view=surface.view,
        surface_height_mm=0.0,
        surface_height_u_mm=0.0,
        u_rel=u_rel,
        budget=(),
        tilt_deg=surface.view.tilt_deg,
        evidence={},
    )


def whole_area(**changes) -> ExaminedArea:
    """Everything that the tests' pictures show, its left and right sides the specimen's edges."""
    corners = np.array([[0.0, 0.0], [2000.0, 0.0], [2000.0, 1600.0], [0.0, 1600.0]])
    return ExaminedArea(**({"outline_px": corners, "edges_px": (corners[[0, 3]], corners[[1, 2]])} | changes))


def outline_on(surface, developed_mm, **changes) -> Outline:
    """The outline in pixels of a developed outline."""
    return Outline(outline_px=surface.project(np.asarray(developed_mm, float)), **changes)


@pytest.fixture
def make() -> SimpleNamespace:
    """Makers of surfaces, scales, areas and outlines."""
    return SimpleNamespace(view=view, flat=flat, bend=bend, scale_of=scale_of, whole_area=whole_area, outline_on=outline_on)
