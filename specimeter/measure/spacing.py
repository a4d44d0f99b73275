"""The clear distance among some of the features: each to the nearest of those that count, whatever else lies between."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from specimeter.measure.feature import Feature
from specimeter.measure.polygon import Rings
from specimeter.measure.quantities import clearances
from specimeter.scale.budget import K
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface


def clear_among(features: Sequence[Feature], *, surface: Surface, scale: Scale) -> dict[str, tuple[float, float]]:
    """Clear distance from each feature to the nearest other one given, and its U (k = 2), in mm on the developed surface.

    Features whose outline leaves the surface, and one alone, are left out.
    """
    pixels = Rings.of([np.asarray(feature.outline_px, float) for feature in features])
    developed = pixels.moved(surface.develop(pixels.points))
    on = np.isfinite(developed.total(developed.points.sum(axis=1)))
    if on.sum() < 2:
        return {}
    u_edge_px = np.array([feature.u_edge_px for feature in features])[on]
    size = clearances(pixels.only(on), developed.only(on), u_edge_px, scale.u_rel, surface)
    ids = [feature.id for feature, lies in zip(features, on, strict=True) if lies]
    return {id_: (float(value), K * float(u)) for id_, value, u in zip(ids, size.value, size.u, strict=True)}
