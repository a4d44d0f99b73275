"""Length, width, area and clear distance on the developed surface, each as values and terms over many features at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from specimeter.measure.clearance import clear_distances
from specimeter.measure.inscribed import largest_circles
from specimeter.measure.polygon import Rings, diameters
from specimeter.scale.budget import Term, term
from specimeter.scale.surface import Surface


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """What one source adds to the standard uncertainty of a quantity, shape (F,), in the quantity's unit."""

    source: str
    basis: str
    contribution: np.ndarray


class Budget(Sequence[Term]):
    """The lines of one feature's budget, each made when it is asked for: there are thousands of features."""

    __slots__ = ("_feature", "_parts", "_unit")

    def __init__(self, parts: tuple[Part, ...], feature: int, unit: str) -> None:
        self._parts, self._feature, self._unit = parts, feature, unit

    def __len__(self) -> int:
        return len(self._parts)

    def __iter__(self) -> Iterator[Term]:
        for part in self._parts:
            u = float(part.contribution[self._feature])
            yield term(part.source, u=u, unit=self._unit, sensitivity=1.0, basis=part.basis)

    def __getitem__(self, line: Any) -> Any:
        return tuple(self)[line]


@dataclass(frozen=True, kw_only=True, eq=False)
class Quantity:
    """One size of F features: values, the parts of its budget, and the two places (pixels) that it lies between."""

    value: np.ndarray
    parts: tuple[Part, ...]
    ends_px: np.ndarray | None = None  # shape (F, 2, 2)

    @property
    def u(self) -> np.ndarray:
        """Combined standard uncertainty, shape (F,): root of the sum of squares (JCGM 100:2008, 5.1.2)."""
        return np.sqrt(sum(part.contribution**2 for part in self.parts))

    def budgets(self, unit: str) -> list[Budget]:
        """Of each feature."""
        return [Budget(self.parts, feature, unit) for feature in range(len(self.value))]


def lengths(pixels: Rings, developed: Rings, u_tip_px: np.ndarray, u_rel: float, surface: Surface) -> Quantity:
    """Greatest straight extent of each outline on the developed surface, in mm.

    The extent is greatest, so at first order it moves with its two tips alone; each moves along the feature by its
    `u_tip_px`, independently. The shape's parts are what the distance between the same two tips becomes on each of the
    surface's variants.
    """
    value, pair = diameters(developed)
    tips = pixels.points[pair]
    parts = [
        *_ends(
            surface, tips, u_tip_px, ("place of the first tip", "place of the second tip"), "contrast, noise, blur at the tip"
        ),
        Part(source="scale", basis="budget of the scale", contribution=u_rel * value),
        *(
            Part(source=f"surface: {source}", basis=basis, contribution=np.abs(_apart(variant, tips) - value))
            for source, basis, variant in surface.variants()
        ),
    ]
    return Quantity(value=value, parts=tuple(parts), ends_px=tips)


def widths(pixels: Rings, developed: Rings, u_edge_px: np.ndarray, u_rel: float, surface: Surface) -> Quantity:
    """Greatest thickness of each outline: the diameter of the largest circle inside it on the developed surface, in mm.

    Both edges are taken to be displaced alike, inwards or outwards: what misplaces an edge's half-level (blur, a lit lip,
    a grey interior) is the same on either side. So the two edges' parts add, and are given as one.
    """
    circles = largest_circles(developed)
    value = 2 * circles.radius
    sides = pixels.points[circles.edges] + circles.shares[:, :, None] * pixels.edges[circles.edges]
    before = np.maximum(_apart(surface, sides), 1e-300)
    edges = _ends(surface, sides, u_edge_px, ("one edge", "other edge"), "contrast, noise, blur across the edge")
    parts = [
        Part(
            source="place of both edges",
            basis=edges[0].basis,
            contribution=edges[0].contribution + edges[1].contribution,
        ),
        Part(source="scale", basis="budget of the scale", contribution=u_rel * value),
        *(
            Part(
                source=f"surface: {source}",
                basis=basis,
                contribution=value * np.abs(_apart(variant, sides) / before - 1),
            )
            for source, basis, variant in surface.variants()
        ),
    ]
    return Quantity(value=value, parts=tuple(parts), ends_px=sides)


def enclosed(pixels: Rings, developed: Rings, u_edge_px: np.ndarray, u_rel: float, surface: Surface) -> Quantity:
    """Area inside each outline on the developed surface, in mm^2.

    The whole edge is taken to be displaced alike, so it adds perimeter times displacement. The shape's parts are the
    change of the local scale at the middle of the outline.
    """
    value, middles = np.abs(developed.areas), pixels.centroids
    cover = pixel_areas_mm2(surface, middles)
    parts = [
        Part(
            source="place of the edge",
            basis="contrast, noise, blur across the edge, all round alike",
            contribution=u_edge_px * pixels.perimeters * value / np.abs(pixels.areas),
        ),
        Part(source="scale", basis="budget of the scale", contribution=2 * u_rel * value),
        *(
            Part(
                source=f"surface: {source}",
                basis=basis,
                contribution=value * np.abs(pixel_areas_mm2(variant, middles) / cover - 1),
            )
            for source, basis, variant in surface.variants()
        ),
    ]
    return Quantity(value=value, parts=tuple(parts))


def clearances(pixels: Rings, developed: Rings, u_edge_px: np.ndarray, u_rel: float, surface: Surface) -> Quantity:
    """Clear distance of each outline from the nearest other one on the developed surface, in mm; inf where there is none."""
    value, other = clear_distances(developed)
    edge_mm = u_edge_px * np.sqrt(pixel_areas_mm2(surface, pixels.centroids))
    basis = "contrast, noise, blur across the edge"
    parts = (
        Part(source="place of its edge", basis=basis, contribution=edge_mm),
        Part(source="place of the other's edge", basis=basis, contribution=edge_mm[other]),
        Part(source="scale", basis="budget of the scale", contribution=u_rel * np.where(np.isfinite(value), value, 0.0)),
    )
    return Quantity(value=value, parts=parts)


def pixel_areas_mm2(surface: Surface, points_px: np.ndarray) -> np.ndarray:
    """Developed area that one pixel covers at each point, shape (N,), in mm^2, by central differences over a pixel."""
    steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
    right, left, down, up = surface.develop((points_px[None] + steps[:, None]).reshape(-1, 2)).reshape(4, -1, 2)
    across, along = right - left, down - up
    return np.abs(across[:, 0] * along[:, 1] - across[:, 1] * along[:, 0])


def _ends(surface: Surface, ends_px: np.ndarray, u_px: np.ndarray, sources: tuple[str, str], basis: str) -> list[Part]:
    """Parts of a distance from its two ends (shape (F, 2, 2)), each displaced by `u_px` along the line between them.

    An end at a rounded edge is displaced with that edge, so what the rounding does to places near it does not count here.
    """
    line = ends_px[:, 1] - ends_px[:, 0]
    line = line / np.maximum(np.hypot(*line.T), 1e-300)[:, None]
    around = np.stack([ends_px[:, end] + sign * 0.5 * line for end in (0, 1) for sign in (-1, 1)])
    first_out, first_in, second_in, second_out = surface.smooth.develop(around.reshape(-1, 2)).reshape(4, -1, 2)
    return [
        Part(source=source, basis=basis, contribution=u_px * np.hypot(*(high - low).T))
        for source, low, high in zip(sources, (first_out, second_in), (first_in, second_out), strict=True)
    ]


def _apart(surface: Surface, ends_px: np.ndarray) -> np.ndarray:
    """Distance in mm between two pixels each, shape (F, 2, 2), on a surface."""
    ends = surface.develop(ends_px.reshape(-1, 2)).reshape(-1, 2, 2)
    return np.hypot(*(ends[:, 1] - ends[:, 0]).T)
