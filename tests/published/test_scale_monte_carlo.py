"""The card's budget against JCGM 101 (Monte Carlo): every stated input drawn at random, the whole fit done anew each time.

JCGM 101:2008, clause 7: draw the inputs from their distributions, evaluate the model, take the results' scatter. Here the
inputs are the lens (principal distance, principal point, distortion), the print (ink spread, unequal shrink, length), how the
card is bent, and the noise of each edge point; the model is "fit the card, read a length off the plane 20 mm over it".
"""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.scale.budget import combine, term
from specimeter.scale.card_layout import FRAME, STRIP
from specimeter.scale.distance import Focal
from specimeter.scale.height import length_logs
from specimeter.scale.markers import Marker
from specimeter.scale.pose import U_ASPECT, contributions, fit_card
from specimeter.scale.view import View

WIDTH, HEIGHT, FOCAL_PX = 2000, 1500, 1700.0
EXIF = Focal(px=FOCAL_PX, u_rel=0.03, source="exif", basis="as stated")
U_EDGE_PX, U_PRINT_REL, HEIGHT_MM = 0.03, 0.0006, 20.0
WAYS = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])


def true_view(rng, tilt_deg: float, distance_mm: float, card) -> View:
    """A camera over the card whose lens differs from what is stated by that much, at random."""
    turn, lean = rng.uniform(0, 2 * np.pi), np.radians(tilt_deg)
    axis = np.array([np.cos(turn), np.sin(turn), 0.0])
    cross = np.array([[0, 0, axis[1]], [0, 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation = np.eye(3) + np.sin(lean) * cross + (1 - np.cos(lean)) * cross @ cross
    middle = np.array([card.width_mm / 2, card.height_mm / 2 + (25.0 if card is STRIP else 0.0), 0.0])
    return View(
        focal_px=FOCAL_PX * np.exp(rng.normal(0, EXIF.u_rel)),
        centre_px=np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2]) + rng.normal(0, 0.008 * WIDTH, 2),
        rotation=rotation,
        translation_mm=np.array([0, 0, distance_mm]) - rotation @ middle,
        k1=rng.normal(0, 0.02),
        k2=rng.normal(0, 0.02),
    )


def markers_of(rng, card, view: View, print_scale: float) -> list[Marker]:
    """What the finder would hand on: eight points an edge, each with its noise across the edge."""
    bloom, bow_mm = rng.normal(0, 0.1), {"strip": 0.15, "frame": 0.3}[card.name]
    aspect, bow = rng.normal(0, U_ASPECT[card.name]), rng.normal(0, bow_mm, 2)
    half = np.array([card.width_mm, card.height_mm]) / 2

    def seen(places: np.ndarray) -> np.ndarray:
        flat = places * print_scale * np.array([1.0, 1.0 + aspect])
        away = (places - half) / half
        return view.project(np.column_stack([flat, (away**2 - 1 / 3) @ bow]))

    found = []
    for marker_id in card.centres_mm:
        corners = card.corners_mm(marker_id)
        along = np.tile((np.arange(8) + 0.5) / 8, 4)
        side = np.repeat(np.arange(4), 8)
        first, second = corners[side], np.roll(corners, -1, axis=0)[side]
        places = first + along[:, None] * (second - first) + bloom * WAYS[side]
        points, outer = seen(places), seen(places + 0.01 * WAYS[side])
        ends = seen(first), seen(second)
        tangent = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0], axis=1)[:, None]
        normals = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        normals *= np.sign(np.sum(normals * (outer - points), axis=1))[:, None]
        points = points + (U_EDGE_PX * rng.normal(size=len(points)))[:, None] * normals
        found.append(
            Marker(
                id=marker_id, corners_px=seen(corners), side=side, along=along, points_px=points, normals=normals,
                u_px=np.full(len(points), U_EDGE_PX), blur_px=1.0, side_blurs_px=np.ones(4), contrast=0.7,
            )
        )  # fmt: skip
    return found


@pytest.mark.parametrize(
    ("card", "tilt_deg", "distance_mm", "seed"), [(STRIP, 3.0, 180.0, 1), (STRIP, 12.0, 230.0, 2), (FRAME, 8.0, 300.0, 3)]
)
def test_budget_agrees_with_monte_carlo(card, tilt_deg, distance_mm, seed):
    """48 draws: the scatter of the results over the budget's own u is 1 within 4 standard errors of such a scatter (41 %), and
    of 192 errors in four directions no more than 12 % lie outside U = 2 u (5 % are expected; the four directions of a draw hang
    together, which triples the spread of that count).
    """
    rng = np.random.default_rng([20261125, seed])
    point = np.array([WIDTH / 2 + 60, HEIGHT / 2 + 40])
    errors, stated = [], []
    for _ in range(48):
        view = true_view(rng, tilt_deg, distance_mm, card)
        markers = markers_of(rng, card, view, 1.0 + rng.normal(0, U_PRINT_REL))
        fit = fit_card(card, markers, focal=EXIF, width_px=WIDTH, height_px=HEIGHT)[0]
        errors.append(length_logs(fit.view, point, HEIGHT_MM) - length_logs(view, point, HEIGHT_MM))
        of_edges, of_known = contributions(fit, point, HEIGHT_MM)
        parts = [of_edges, *of_known, U_PRINT_REL]
        stated.append(combine([term("part", u=part, unit="1", sensitivity=1.0, basis="the fit") for part in parts]))
    errors, stated = np.array(errors), np.array(stated)
    ratio = np.sqrt(np.mean(errors**2)) / np.sqrt(np.mean(stated**2))
    assert 0.6 < ratio < 1.41
    assert np.mean(np.abs(errors) > 2 * stated[:, None]) < 0.12
