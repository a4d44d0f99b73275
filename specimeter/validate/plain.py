"""The pipeline that one would otherwise write with scikit-image: threshold, label, region properties, one scale for all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from skimage import color, draw, filters, measure

LOCAL_MM = 2.0  # window of the local threshold
OFFSET = 0.08  # darker than the local mean by this share of full scale
LEAST_PX = 12  # smaller specks are removed
EDGE_PX = 1.0  # what such a pipeline would state for its uncertainty: a pixel, k = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Region:
    """One labelled region with its sizes by a single scale."""

    outline_px: np.ndarray
    length_mm: float
    width_mm: float
    area_mm2: float
    U_mm: float


def plain(rgb: np.ndarray, area_px: np.ndarray, mm_per_px: float) -> list[Region]:
    """Find and measure dark regions; given the true scale at the crown and the true examined area, which is generous.

    The edge of the area is eaten in by 4 pixels, so that the specimen's own edge is not found.
    """
    grey = color.rgb2gray(rgb)
    inside = draw.polygon2mask(grey.shape, np.asarray(area_px)[:, ::-1])
    inside = ndimage.binary_erosion(inside, iterations=4)
    smooth = filters.gaussian(grey, 1.0)
    block = round(LOCAL_MM / mm_per_px) // 2 * 2 + 1
    dark = (smooth < filters.threshold_local(smooth, max(block, 3), method="mean") - OFFSET) & inside
    regions = []
    for region in measure.regionprops(measure.label(dark)):
        if region.area < LEAST_PX:
            continue
        padded = np.pad(region.image_filled, 1)
        contour = max(measure.find_contours(padded.astype(float), 0.5), key=len)[:-1]
        corner = np.array(region.bbox[:2]) - 1
        thickness = 2 * float(ndimage.distance_transform_edt(padded).max()) - 1
        regions.append(
            Region(
                outline_px=(contour + corner)[:, ::-1],
                length_mm=float(region.feret_diameter_max * mm_per_px),
                width_mm=thickness * mm_per_px,
                area_mm2=float(region.area_filled) * mm_per_px**2,
                U_mm=EDGE_PX * mm_per_px,
            )
        )
    return regions
